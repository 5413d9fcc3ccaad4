"""What the judgement of a lot is worth: the risks of its plan, and the qualities that it tells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.quality.lots import Risks, nonconforming_at, quality_at, risks
from rig.records.lot_model import LotKept

ACCEPTED_IN = (0.95, 0.50, 0.10)
"""How often the lots are accepted whose qualities are told."""
_BAD_TIMES = (2.0, 5.0, 10.0)
_BAD_MOST_PERCENT = 50.0


@dataclass(frozen=True)
class QualityAt:
    """The quality of which so many lots are accepted.

    ``percent`` nonconforming of a process; ``units``: the most nonconforming units with which this
    very lot is accepted so often or more.
    """

    accepted: float
    percent: float
    units: int


@dataclass(frozen=True)
class LotWorth:
    """Producer's risk at the AQL and consumer's risk at each stated quality, and some qualities."""

    risks: tuple[Risks, ...]
    qualities: tuple[QualityAt, ...]


def worth_of(lot: LotKept, bad_percents: Sequence[float] = ()) -> LotWorth:
    """Return what a lot's plan is worth; raises SamplingError for a quality no worse than the AQL.

    ``bad_percents`` are the qualities at which the consumer's risk is told, in per cent
    nonconforming; none: 2, 5 and 10 times the AQL.
    """
    asked = bad_percents or [
        times * lot.aql for times in _BAD_TIMES if times * lot.aql <= _BAD_MOST_PERCENT
    ]
    return LotWorth(
        tuple(risks(lot.n, lot.ac, lot.size, lot.aql, bad) for bad in dict.fromkeys(asked)),
        tuple(
            QualityAt(
                accepted,
                100.0 * quality_at(lot.n, lot.ac, accepted),
                nonconforming_at(lot.n, lot.ac, lot.size, accepted),
            )
            for accepted in ACCEPTED_IN
            if lot.ac < lot.n
        ),
    )
