"""What a supplier's lots say together: how severely the next is inspected, and its average.

One history is the lots of one supplier, unit type, inspection level and AQL in one world (simulated
lots say nothing of real ones), in the order in which they were closed.  Lots that were withdrawn
are none of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.quality.lots import ProcessAverage, process_average
from rig.quality.sampling_tables import Level, SamplingPlan, Severity
from rig.quality.switching import NOTHING, Inspection, JudgedLot, Said, severity_after
from rig.records.lot_model import LotEnd, LotKept


@dataclass(frozen=True)
class HistoryKey:
    """Whose lots count together; ``aql`` in per cent nonconforming."""

    supplier: str
    unit_type: str
    level: Level
    aql: float
    simulated: bool

    @classmethod
    def of(cls, lot: LotKept) -> HistoryKey:
        """Return the one that a lot belongs to."""
        return cls(lot.supplier, lot.unit_type, Level(lot.level), lot.aql, lot.simulated)


@dataclass(frozen=True)
class SupplierHistory:
    """The lots that count together, in the order they were closed, and what comes of them.

    ``average`` is that of original inspection, with what was inspected of samples that were broken
    off; None without any.  ``open_lots`` are not closed yet, in the order they were opened.
    """

    key: HistoryKey
    lots: tuple[LotKept, ...]
    open_lots: tuple[LotKept, ...]
    inspection: Inspection
    average: ProcessAverage | None


def sampling_of(lot: LotKept) -> SamplingPlan:
    """Return the plan that a lot is judged by, as it was when the lot was opened."""
    return SamplingPlan(
        lot.size,
        Level(lot.level),
        lot.aql,
        Severity(lot.severity),
        lot.lot_letter,
        lot.letter,
        lot.table_n,
        lot.ac,
        lot.doubt,
    )


def history_of(lots: Iterable[LotKept], key: HistoryKey, said: Said = NOTHING) -> SupplierHistory:
    """Return what the lots of ``key`` among ``lots`` say, and what is ``said`` before the next."""
    ours = [lot for lot in lots if HistoryKey.of(lot) == key]
    judged = sorted(
        (lot for lot in ours if lot.end in (LotEnd.ACCEPTED, LotEnd.NOT_ACCEPTED)),
        key=lambda lot: (lot.closed_number or 0, lot.number),
    )
    return SupplierHistory(
        key,
        tuple(judged),
        tuple(sorted((lot for lot in ours if lot.is_open), key=lambda lot: lot.number)),
        severity_after([_judged(lot) for lot in judged], said),
        process_average((lot.judged, len(lot.nonconforming)) for lot in judged if lot.original),
    )


def histories(lots: Sequence[LotKept]) -> list[SupplierHistory]:
    """Return every history there is among ``lots``, in the order of their first lots."""
    keys = dict.fromkeys(HistoryKey.of(lot) for lot in sorted(lots, key=lambda lot: lot.number))
    return [history_of(lots, key) for key in keys]


def said_before(lot: LotKept) -> Said:
    """Return what was said before a lot was opened."""
    return Said(lot.steady, bool(lot.agreed_by), bool(lot.irregular), bool(lot.acted))


def _judged(lot: LotKept) -> JudgedLot:
    return JudgedLot(
        lot.name, sampling_of(lot), len(lot.nonconforming), said_before(lot), lot.original
    )
