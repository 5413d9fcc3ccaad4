"""The units tested last, for whoever has one of them on the jig again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.records.errors import RecordsError
from rig.records.model import RunSummary
from rig.records.store import Store

LOOKED_AT = 100  # runs: a day's work or two
SHORT_WAIT_S = 0.5  # nobody waits for suggestions


@dataclass(frozen=True)
class RecentUnit:
    """A unit by its ``serial`` and how its last run came out, in a word."""

    serial: str
    came_out: str
    started_at: datetime


def recent_units(records: Path, *, longest: int = 12) -> list[RecentUnit]:
    """Return the units tested last, newest first; none if there are no records to be read."""
    try:
        with Store.open(records, create=False, wait_s=SHORT_WAIT_S) as store:
            runs = store.runs(limit=LOOKED_AT)
    except RecordsError:
        return []  # the Records screen tells why; here it only means no suggestions
    found: dict[str, RecentUnit] = {}
    for run in runs:
        found.setdefault(
            run.unit_serial, RecentUnit(run.unit_serial, _came_out(run), run.started_at)
        )
    return list(found.values())[:longest]


def _came_out(run: RunSummary) -> str:
    return run.verdict or run.state.value
