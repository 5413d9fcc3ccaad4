"""What is typed into the search of the records, as a filter; and what is wrong with it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from rig.labels import shown
from rig.records.model import RunFilter

NO_VERDICT = "none"
EXAMPLE = "2026-11-25"

_DATE = re.compile(r"\d{4}-\d{1,2}-\d{1,2}")
_BEGUN = re.compile(r"\d{0,4}|\d{4}-\d{0,2}|\d{4}-\d{1,2}-")


@dataclass(frozen=True)
class SearchWords:
    """The fields as typed: parts of serial, job or lot and plan, days, and a verdict's word."""

    unit: str = ""
    job: str = ""
    plan: str = ""
    since: str = ""
    until: str = ""
    verdict: str = ""


def filter_of(words: SearchWords) -> tuple[RunFilter, dict[str, str]]:
    """Return the filter, and by the field's name what keeps a field from being used.

    Days are whole days of this machine's time, both included.
    """
    troubles: dict[str, str] = {}
    since = _day("since", words.since, troubles)
    until = _day("until", words.until, troubles)
    if since and until and until < since:
        troubles["until"] = "This day lies before the first, so no run can be found."
    return (
        RunFilter(
            serial_part=words.unit.strip() or None,
            reference_part=words.job.strip() or None,
            plan_part=words.plan.strip() or None,
            verdict=words.verdict if words.verdict not in ("", NO_VERDICT) else None,
            unjudged=words.verdict == NO_VERDICT,
            since=since,
            until=None if until is None else until + timedelta(days=1),
        ),
        troubles,
    )


def _day(field: str, text: str, troubles: dict[str, str]) -> datetime | None:
    """Return the local midnight at which a day begins, in UTC; None if there is no such day."""
    text = text.strip()
    if not text:
        return None
    if _BEGUN.fullmatch(text):
        troubles[field] = f"The date is not whole yet: write it as {EXAMPLE}."
        return None
    try:
        if not _DATE.fullmatch(text):
            raise ValueError
        day = datetime.strptime(text, "%Y-%m-%d").astimezone().astimezone(UTC)
        day + timedelta(days=1)
    except (ValueError, OverflowError, OSError):
        troubles[field] = f"“{shown(text, 14)}” is not a date: write it as {EXAMPLE}."
        return None
    return day
