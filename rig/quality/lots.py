"""What judging a lot by a sample is worth: how likely which lot is accepted, and the risks of that.

A sample of ``n`` units is accepted if ``ac`` of them or fewer do not conform.  Of one lot with so
many nonconforming units the sample's count is hypergeometric (type A of ISO 2859-1 and
MIL-STD-105E); of lots from a process that makes a share of nonconforming units it is binomial
(type B).  Shares are 0 to 1, qualities in per cent say so in their name.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate
from math import ceil, exp, floor, fsum, log

import numpy as np
from scipy.special import bdtr, betainccinv, betaincinv

from rig.quality.sampling_tables import SamplingError

POINTS = 101
"""Points of a curve, unless others are asked for."""
OC_ENDS_AT = 0.002
"""The curve is drawn to the quality of which no more than this is accepted."""


def accept_probability(n: int, ac: int, share: float) -> float:
    """Return how likely a lot from a process with this ``share`` nonconforming is accepted.

    Binomial.  Raises SamplingError for what is no plan, or no share.
    """
    _need_plan(n, ac)
    if not 0.0 <= share <= 1.0:
        raise SamplingError(f"A share of {share:g} is none; it is 0 to 1.", about="share")
    return 1.0 if ac >= n else float(bdtr(ac, n, share))


def lot_accept_probability(n: int, ac: int, nonconforming: int, lot_size: int) -> float:
    """Return how likely a lot with so many ``nonconforming`` of ``lot_size`` is accepted.

    Hypergeometric.  Raises SamplingError for what is no plan, or no such lot.
    """
    _need_plan(n, ac, lot_size)
    if not 0 <= nonconforming <= lot_size:
        raise SamplingError(
            f"A lot of {lot_size} cannot have {nonconforming} nonconforming.", about="nonconforming"
        )
    bad, good = nonconforming, lot_size - nonconforming
    least, most = max(0, n - good), min(n, bad, ac)
    if ac >= min(n, bad):
        return 1.0
    if least > ac:
        return 0.0
    # The least count's probability is a product; each next one follows from the one before.  In
    # logarithms, since the first may be smaller than any float.
    if least:
        times, of = good, n
    elif bad < n:
        times, of = bad, lot_size - n
    else:
        times, of = n, good
    k = np.arange(times)
    first = float(np.sum(np.log((of - k) / (lot_size - k))))
    steps = (log((bad - x) * (n - x) / ((x + 1) * (good - n + x + 1))) for x in range(least, most))
    return min(1.0, fsum(exp(one) for one in accumulate(steps, initial=first)))


def _need_plan(n: int, ac: int, lot_size: int | None = None) -> None:
    if n < 1:
        raise SamplingError(f"A sample of {n} is none.", about="n")
    if ac < 0:
        raise SamplingError(f"An acceptance number of {ac} accepts nothing at all.", about="ac")
    if lot_size is not None and n > lot_size:
        raise SamplingError(f"A lot of {lot_size} has no sample of {n}.", about="n")


def quality_at(n: int, ac: int, probability: float) -> float:
    """Return the share nonconforming of a process whose lots are accepted so often.

    The binomial's quantile by the beta distribution (Clopper and Pearson, Biometrika 26, 1934).
    Raises SamplingError for a plan that accepts everything, or a probability not between 0 and 1.
    """
    _need_plan(n, ac)
    if ac >= n:
        raise SamplingError(f"A sample of {n} that may have {ac} accepts everything.", about="ac")
    if not 0.0 < probability < 1.0:
        raise SamplingError(f"{probability:g} is no probability.", about="probability")
    return float(betainccinv(ac + 1, n - ac, probability))


def nonconforming_at(n: int, ac: int, lot_size: int, probability: float) -> int:
    """Return the most nonconforming units with which a lot is accepted so often or more."""

    def refused(nonconforming: int) -> float:
        return 1.0 - lot_accept_probability(n, ac, nonconforming, lot_size)

    return bisect_right(range(lot_size + 1), 1.0 - probability, key=refused) - 1


@dataclass(frozen=True, slots=True)
class Point:
    """A quality, in per cent nonconforming, and how likely it is accepted."""

    percent: float
    accepted: float


@dataclass(frozen=True, slots=True)
class OcCurve:
    """The operating characteristic: of a process, and of this very lot (empty without one)."""

    process: tuple[Point, ...]
    lot: tuple[Point, ...] = ()


def oc_curve(n: int, ac: int, lot_size: int | None = None, points: int = POINTS) -> OcCurve:
    """Return the curve from 0 to where next to nothing is accepted, ``points`` of it at most.

    A lot's points lie at whole units.  Raises SamplingError for what is no plan.
    """
    _need_plan(n, ac, lot_size)
    end = 1.0 if ac >= n else quality_at(n, ac, OC_ENDS_AT)
    process = tuple(
        Point(100.0 * share, accept_probability(n, ac, share))
        for share in map(float, np.linspace(0.0, end, points))
    )
    if lot_size is None:
        return OcCurve(process)
    counts = np.unique(np.linspace(0, min(lot_size, ceil(end * lot_size)), points).round())
    return OcCurve(
        process,
        tuple(
            Point(100.0 * count / lot_size, lot_accept_probability(n, ac, count, lot_size))
            for count in map(int, counts)
        ),
    )


@dataclass(frozen=True, slots=True)
class Risks:
    """The risks of a plan at two qualities, in per cent nonconforming; risks are 0 to 1.

    Producer's: ``good_percent`` is not accepted.  Consumer's: ``bad_percent`` is accepted.  Of a
    process, and of this lot: with ``good_units`` nonconforming, as many as are no worse than
    ``good_percent``, and with ``bad_units``, as few as are no better than ``bad_percent``.
    """

    good_percent: float
    bad_percent: float
    producers: float
    consumers: float
    good_units: int
    bad_units: int
    lot_producers: float
    lot_consumers: float


def risks(n: int, ac: int, lot_size: int, good_percent: float, bad_percent: float) -> Risks:
    """Return producer's and consumer's risk; raises SamplingError unless good is better than bad.

    ``good_percent`` is the AQL as a rule, ``bad_percent`` what the shop would rather not take.
    """
    if not 0.0 <= good_percent < bad_percent <= 100.0:
        raise SamplingError(
            f"{good_percent:g} % good and {bad_percent:g} % bad: the good one must be below the "
            "bad one, both between 0 and 100.",
            about="bad",
        )
    # A share of a lot is rarely a whole float: 4 % of 25 is one unit, not one and a bit.
    good_units = floor(round(good_percent * lot_size / 100.0, 6))
    bad_units = ceil(round(bad_percent * lot_size / 100.0, 6))
    return Risks(
        good_percent,
        bad_percent,
        1.0 - accept_probability(n, ac, good_percent / 100.0),
        accept_probability(n, ac, bad_percent / 100.0),
        good_units,
        bad_units,
        1.0 - lot_accept_probability(n, ac, good_units, lot_size),
        lot_accept_probability(n, ac, bad_units, lot_size),
    )


@dataclass(frozen=True, slots=True)
class ProcessAverage:
    """What past lots say of a process; ``low`` and ``high`` bound its share nonconforming."""

    inspected: int
    nonconforming: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The estimated share nonconforming."""
        return self.nonconforming / self.inspected


def process_average(
    samples: Iterable[tuple[int, int]], confidence: float = 0.95
) -> ProcessAverage | None:
    """Return the process average of (inspected, nonconforming) of lots; None without a unit.

    The interval is that of Clopper and Pearson (Biometrika 26, 1934), two-sided.  Only original
    inspection belongs in it.  A sample that was broken off once the lot could not be accepted
    belongs in it with what was inspected of it: left out, a process of 20 % looks like one of 4 %
    (n 50, Ac 2).  Counted over all lots the average is right with it (Wald's identity: whenever one
    stops, so many units have so many nonconforming on average), if its items were taken in an order
    that knows nothing of them, and the interval still holds the truth as often as it says; the
    tests simulate both.  Raises SamplingError for counts that cannot
    be.
    """
    inspected = nonconforming = 0
    for n, bad in samples:
        if not 0 <= bad <= n:
            raise SamplingError(f"{bad} nonconforming of {n} cannot be.", about="nonconforming")
        inspected += n
        nonconforming += bad
    if not inspected:
        return None
    tail = 0.5 * (1.0 - confidence)
    good = inspected - nonconforming
    low = float(betaincinv(nonconforming, good + 1, tail)) if nonconforming else 0.0
    high = float(betainccinv(nonconforming + 1, good, tail)) if good else 1.0
    return ProcessAverage(inspected, nonconforming, low, high)
