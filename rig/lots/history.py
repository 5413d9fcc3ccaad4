"""What a supplier's lots say together: how severely the next is inspected, and its average.

One history is the lots of one supplier, unit type, inspection level and AQL in one world (simulated
lots say nothing of real ones), in the order in which they were closed; open ones that cannot be
accepted any more come last, as not accepted.  Lots that were withdrawn are none of it, but what was
said before any lot (that the supplier has acted, say) counts from when it was opened.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from rig.labels import name_key
from rig.quality.lots import ProcessAverage, process_average
from rig.quality.sampling_tables import Level, SamplingPlan, Severity
from rig.quality.switching import NOTHING, Inspection, JudgedLot, Said, severity_after
from rig.records.lot_model import ItemResult, LotEnd, LotKept, LotResult


@dataclass(frozen=True)
class HistoryKey:
    """Whose lots count together; ``aql`` in per cent nonconforming.

    Spellings of a ``supplier`` that differ in capitals and blanks are one (`name_key`).
    """

    supplier: str
    unit_type: str
    level: Level
    aql: float
    simulated: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "supplier", name_key(self.supplier))

    @property
    def product(self) -> tuple[str, str, bool]:
        """Supplier, unit type and world, whatever the level and AQL."""
        return self.supplier, self.unit_type, self.simulated

    @classmethod
    def of(cls, lot: LotKept) -> HistoryKey:
        """Return the one that a lot belongs to."""
        return cls(lot.supplier, lot.unit_type, Level(lot.level), lot.aql, lot.simulated)


@dataclass(frozen=True)
class SupplierHistory:
    """The lots that count together, in the order they were closed, and what comes of them.

    ``average`` is that of original inspection, with what was inspected of samples that were broken
    off (`counted`); None without any.  ``open_lots`` are not closed yet, in the order they were
    opened; ``withdrawn`` count for nothing.
    """

    key: HistoryKey
    lots: tuple[LotKept, ...]
    open_lots: tuple[LotKept, ...]
    inspection: Inspection
    average: ProcessAverage | None
    withdrawn: tuple[LotKept, ...] = ()

    @property
    def in_doubt(self) -> bool:
        """Whether items were judged by choice in a sample that was broken off.

        What was found behind the first item left is not in the average then, and how far the rest
        came was no chance any more: it may be far too low, or too high.
        """
        judged = (lot for lot in (*self.lots, *self.open_lots) if _is_judged(lot))
        return any(lot.original and lot.judged > counted(lot)[0] for lot in judged)

    @property
    def supplier(self) -> str:
        """The supplier as its newest lot spells it."""
        lots = (*self.lots, *self.open_lots, *self.withdrawn)
        newest = max(lots, key=lambda lot: lot.number, default=None)
        return self.key.supplier if newest is None else newest.supplier


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
    ours = sorted((lot for lot in lots if HistoryKey.of(lot) == key), key=lambda lot: lot.number)
    judged = sorted((lot for lot in ours if _is_judged(lot)), key=_judged_at)
    return SupplierHistory(
        key,
        tuple(lot for lot in judged if not lot.is_open),
        tuple(lot for lot in ours if lot.is_open),
        severity_after(list(_happened(ours, judged)), said),
        process_average(counted(lot) for lot in judged if lot.original),
        tuple(lot for lot in ours if lot.end is LotEnd.WITHDRAWN),
    )


def _is_judged(lot: LotKept) -> bool:
    """Tell whether a lot is accepted or not, or cannot be accepted whatever comes."""
    failed = lot.is_open and lot.result is LotResult.NOT_ACCEPTABLE
    return failed or lot.end in (LotEnd.ACCEPTED, LotEnd.NOT_ACCEPTED)


def _judged_at(lot: LotKept) -> tuple[bool, int, int]:
    return lot.closed_number is None, lot.closed_number or 0, lot.number


def _happened(ours: Sequence[LotKept], judged: Iterable[LotKept]) -> Iterator[JudgedLot | Said]:
    """Yield what was said as lots were opened, and the lots as they were judged, in that order.

    ``ours`` are in the order of their opening.  Where clocks contradict the order kept, that holds.
    """
    opened = deque(ours)
    for lot in judged:
        while opened and (
            opened[0].number <= lot.number
            or lot.closed_at is None
            or opened[0].opened_at < lot.closed_at
        ):
            yield said_before(opened.popleft())
        yield _judged(lot)
    yield from map(said_before, opened)


def counted(lot: LotKept) -> tuple[int, int]:
    """Return what a judged lot adds to the process average: items, and nonconforming ones.

    Of a sample that was broken off only the items before the first that was left: an average holds
    if items are taken in an order that knows nothing of them, and damaged ones are seen first.
    """
    items = lot.worked_through
    return len(items), sum(item.result is ItemResult.NONCONFORMING for item in items)


def histories(lots: Sequence[LotKept]) -> list[SupplierHistory]:
    """Return every history there is among ``lots``, in the order of their first lots."""
    keys = dict.fromkeys(HistoryKey.of(lot) for lot in sorted(lots, key=lambda lot: lot.number))
    return [history_of(lots, key) for key in keys]


def severe_beside(lots: Sequence[LotKept], key: HistoryKey) -> list[SupplierHistory]:
    """Return the histories of the same product by other levels and AQLs that are not normal."""
    ours = [lot for lot in lots if HistoryKey.of(lot).product == key.product]
    beside = (one for one in histories(ours) if one.key != key)
    return [one for one in beside if one.inspection.severity is Severity.TIGHTENED]


def withdrawn_before(lot: LotKept, lots: Iterable[LotKept]) -> list[LotKept]:
    """Return earlier lots that were withdrawn and may be the same delivery: of one order or size.

    Their samples were drawn too: whoever may draw again may choose.
    """
    product, order = HistoryKey.of(lot).product, name_key(lot.order_number)
    return [
        one
        for one in sorted(lots, key=lambda one: one.number)
        if one.end is LotEnd.WITHDRAWN
        and one.number < lot.number
        and HistoryKey.of(one).product == product
        and (one.size == lot.size or (order and name_key(one.order_number) == order))
    ]


def said_before(lot: LotKept) -> Said:
    """Return what was said before a lot was opened."""
    return Said(lot.steady, bool(lot.agreed_by), bool(lot.irregular), bool(lot.acted))


def _judged(lot: LotKept) -> JudgedLot:
    return JudgedLot(lot.name, sampling_of(lot), len(lot.nonconforming), original=lot.original)
