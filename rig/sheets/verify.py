"""Does a sheet belong to a record here, and is the record still what was printed?"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rig.records.errors import RecordsError
from rig.records.model import RunRecord
from rig.records.store import Store
from rig.sheets.code import SheetCode
from rig.sheets.standing import standing_of
from rig.sheets.words import local


class Found(StrEnum):
    """What came of holding a sheet's code against the records."""

    UNCHANGED = "unchanged"
    CHANGED = "changed"
    NOT_HERE = "not_here"


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found, in a word and in sentences; ``record`` None if there is no such one."""

    found: Found
    text: str
    record: RunRecord | None = None


def verify(store: Store, code: SheetCode) -> Verified:
    """Hold a sheet's code against the records; raises RecordsError if they cannot be read."""
    run_id = code.run_id
    if not store.has_run(run_id):
        text = (
            f"There is no record {run_id} in {store.path}. If the sheet is of another bench, name "
            "its records with --records."
        )
        return Verified(Found.NOT_HERE, text)
    try:
        record = store.run(run_id)
        checksum = store.checksum(run_id)
    except RecordsError as error:
        text = f"The record {run_id} is here, and cannot be read whole any more. {error}"
        return Verified(Found.CHANGED, text)
    if code.fits(checksum):
        which = f"record {run_id}: {_who(record)}"
        text = f"This sheet belongs to {which}. The record is unchanged since it was printed."
        return Verified(Found.UNCHANGED, text, record)
    ended = record.end is not None
    why = (
        "If the sheet says UNFINISHED, it was printed before the run's end, and all may be well: "
        "print it again. If it does not, something in the run, its traces or its verdict is not "
        "what it was. `halfturn records verify` looks for damage; a backup from before tells what "
        "it was."
        if ended
        else "The run has no end in the record: it went on after the sheet was printed, or was cut "
        "off. Print it again when it is over."
    )
    text = (
        f"The record differs from what was printed. The code names record {run_id}. That record "
        f"now reads: {_who(record)}; the sheet in your hand may say otherwise: do not go by this "
        f"record. {why}"
    )
    return Verified(Found.CHANGED, text, record)


def _who(record: RunRecord) -> str:
    start = record.start
    verdict = standing_of(record).whole_word
    return f"{start.unit_serial}, {start.plan_name}, {local(start.started_at)}, {verdict}"


__all__ = ["Found", "Verified", "verify"]
