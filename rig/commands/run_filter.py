"""Which runs a command line asks for."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime, timedelta

from rig.commands import exits
from rig.commands.common import need_printable
from rig.commands.exits import CommandError
from rig.labels import NAME_LONGEST, SERIAL_LONGEST
from rig.records.model import RunFilter


def filter_of(options: argparse.Namespace) -> RunFilter:
    """Return the runs that are wanted; CommandError for what cannot be looked for."""
    for option, text, longest in (
        ("--serial", options.serial, SERIAL_LONGEST),
        ("--reference", options.reference, NAME_LONGEST),
        ("--plan", options.plan, NAME_LONGEST),
    ):
        need_printable(option, text or "", longest)
    return RunFilter(
        serial=options.serial,
        reference=options.reference,
        verdict=options.verdict,
        since=day_of(options.since),
        until=day_of(options.until, later=timedelta(days=1)),
        plan=options.plan,
    )


def day_of(text: str | None, *, later: timedelta = timedelta()) -> datetime | None:
    """Return the local midnight at which a day begins, or so much later."""
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").astimezone().astimezone(UTC) + later
    except (ValueError, OverflowError, OSError):  # the calendar or the time zone ends before
        raise CommandError(
            exits.USAGE,
            f"'{text[:20]}' is not a date; write it as YYYY-MM-DD, for example 2026-11-25.",
        ) from None
