"""The units tested last, for whoever has one of them on the jig again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rig.console.records_reader import NO_RECORDS, RecordsReader, Sorry, or_sorry
from rig.records.golden_said import GoldenStanding
from rig.records.model import RunFilter, RunSummary

LOOKED_AT = 100  # runs: a day's work or two


@dataclass(frozen=True)
class RecentUnit:
    """A unit by its ``serial`` and how its last run came out, in a word."""

    serial: str
    came_out: str
    started_at: datetime


def recent_units(reading: RecordsReader, *, longest: int = 12) -> list[RecentUnit] | Sorry:
    """Return the units tested last, newest first; or why the records cannot be read.

    That there are none yet is no trouble.
    """
    looked = or_sorry(lambda: reading.search(RunFilter(), limit=LOOKED_AT))
    if isinstance(looked, Sorry):
        return [] if looked.text == NO_RECORDS else looked
    found: dict[str, RecentUnit] = {}
    for run in looked.runs:
        found.setdefault(
            run.unit_serial, RecentUnit(run.unit_serial, _came_out(run), run.started_at)
        )
    return list(found.values())[:longest]


def golden_warning(
    reading: RecordsReader, station: str, every_days: int, *, simulated: bool
) -> str:
    """Return in short what the golden units have whoever begins a run know; "" if nothing."""
    found = or_sorry(lambda: reading.golden(station, every_days, simulated=simulated))
    if isinstance(found, Sorry):
        return ""  # told elsewhere: nothing could be recorded either
    for standing, words in (
        (GoldenStanding.OUT, "The rig is OUT OF CONTROL"),
        (GoldenStanding.DUE, "The rig's golden check is due"),
    ):
        for state in found:
            if state.standing is standing:
                return f"{words} (unit {state.golden.serial}): F7, then G."
    return ""


def _came_out(run: RunSummary) -> str:
    return run.came_to.lower() if run.isolation is None else run.came_to
