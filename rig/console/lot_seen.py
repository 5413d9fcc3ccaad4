"""A lot with all that is shown of it, worked out in a worker thread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.lots.history import HistoryKey, SupplierHistory, history_of
from rig.lots.words import history_lines
from rig.lots.worth import LotWorth, worth_of
from rig.quality.lots import OcCurve, oc_curve
from rig.records.lot_model import LotKept


@dataclass(frozen=True)
class LotSeen:
    """A lot, its plan's curve and what that is worth, and the lots of its supplier."""

    lot: LotKept
    curve: OcCurve
    worth: LotWorth
    history: SupplierHistory

    def history_lines(self) -> list[str]:
        """Return what comes of the supplier's lots, then the lots, the newest of them first."""
        whose, *lots, average, inspection = history_lines(self.history)
        return [whose, inspection, average, *reversed(lots)]


def look_at_lot(lot: LotKept, lots: Sequence[LotKept]) -> LotSeen:
    """Return what is shown of a lot; ``lots`` are all there are."""
    curve = oc_curve(lot.n, lot.ac, lot.size)
    return LotSeen(lot, curve, worth_of(lot), history_of(lots, HistoryKey.of(lot)))
