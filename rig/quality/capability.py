"""How a process lies in its limits: performance indices of single values, with what they are worth.

Formulas of the NIST/SEMATECH e-Handbook 6.1.6, which calls them Cp, Cpl, Cpu and Cpk and takes the
standard deviation of all values.  With that deviation, and without subgroups, the trade and ISO
22514-2 call them performance indices, Pp and Ppk (from memory), and so does this module: a Cpk is
of the short-term spread within subgroups, which single units do not have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np
from scipy.special import chdtri, nctdtr, ndtr, ndtri

CONFIDENCE = 0.95

LEAST = 5
"""Fewer values give no index worth the name (guess)."""


@dataclass(frozen=True, slots=True)
class Index:
    """An index and its two-sided confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Performance:
    """What a process came to against its limits; None where there is no such limit.

    ``pp`` is the limits' width over six standard deviations, ``lower`` and ``upper`` each limit's
    distance from the mean over three, ``ppk`` the less of these.  ``beyond`` is the part of all
    units expected beyond the limits (0 to 1, if the values are normal), from ``beyond_low`` to
    ``beyond_high``.  ``exact`` tells that ``ppk``'s interval is: with one limit only.
    """

    count: int
    mean: float
    sd: float
    pp: Index | None
    lower: Index | None
    upper: Index | None
    ppk: Index
    exact: bool
    beyond: float
    beyond_low: float
    beyond_high: float
    confidence: float


def performance(
    values: Sequence[float],
    low: float | None,
    high: float | None,
    confidence: float = CONFIDENCE,
) -> Performance:
    """Return the indices of ``values`` against limits in their unit.

    One limit's index has an exact interval (noncentral t); with both limits the interval of the
    less is the handbook's approximation.  Raises ValueError for fewer than `LEAST` values, values
    that are all the same or not finite, or no limit.
    """
    if low is None and high is None:
        raise ValueError("an index needs a limit")
    if len(values) < LEAST:
        raise ValueError(f"an index needs at least {LEAST} values, not {len(values)}")
    if not all(isfinite(value) for value in values):
        raise ValueError("an index needs finite values")
    sample = np.array(values, dtype=np.float64)
    count, mean, sd = len(sample), float(sample.mean()), float(sample.std(ddof=1))
    if not sd > 1e-12 * abs(mean):
        raise ValueError("all values are the same, so they have no spread to set an index by")
    sides = {
        "low": None if low is None else (mean - low) / (3.0 * sd),
        "high": None if high is None else (high - mean) / (3.0 * sd),
    }
    known = {name: value for name, value in sides.items() if value is not None}
    both = len(known) == 2
    one_sided = {name: _exact(value, count, confidence) for name, value in known.items()}
    least = min(known.values())
    ppk = _approximate(least, count, confidence) if both else next(iter(one_sided.values()))
    # Each side's share by its own exact interval; where there are two, each at the half of what is
    # left, so that both together hold the confidence at least (Bonferroni).
    each = 1.0 - (1.0 - confidence) / len(known)
    tails = [_exact(value, count, each) for value in known.values()]
    return Performance(
        count,
        mean,
        sd,
        _width(low, high, sd, count, confidence),
        one_sided.get("low"),
        one_sided.get("high"),
        ppk,
        not both,
        sum(float(ndtr(-3.0 * index.value)) for index in tails),
        sum(float(ndtr(-3.0 * index.high)) for index in tails),
        min(1.0, sum(float(ndtr(-3.0 * index.low)) for index in tails)),
        confidence,
    )


def _width(
    low: float | None, high: float | None, sd: float, count: int, confidence: float
) -> Index | None:
    """Return Pp with its exact (chi-square) interval."""
    if low is None or high is None:
        return None
    value, tail, free = (high - low) / (6.0 * sd), 0.5 * (1.0 - confidence), count - 1
    return Index(
        value,
        value * sqrt(float(chdtri(free, 1.0 - tail)) / free),
        value * sqrt(float(chdtri(free, tail)) / free),
    )


def _exact(value: float, count: int, confidence: float) -> Index:
    """Return a one-sided index: 3 sqrt(n) times it is noncentral t about that of the process."""
    scale, tail = 3.0 * sqrt(count), 0.5 * (1.0 - confidence)

    def at(share: float) -> float:
        return _noncentrality(count - 1, share, scale * value) / scale

    return Index(value, at(1.0 - tail), at(tail))


def _noncentrality(free: int, share: float, t: float) -> float:
    """Return the noncentrality at which t is the quantile ``share``; it falls as share rises."""
    from scipy.optimize import brentq

    def over(centre: float) -> float:
        # Of a negative t the mirrored tail keeps the digits.
        below = float(nctdtr(free, centre, t) if t >= 0.0 else 1.0 - nctdtr(free, -centre, -t))
        if not isfinite(below):  # so far out that nothing is left to tell
            below = float(centre < t)
        return below - share

    reach = 10.0 + 4.0 * abs(t)
    return float(brentq(over, t - reach, t + reach, xtol=1e-10))


def _approximate(value: float, count: int, confidence: float) -> Index:
    """Return the index with the interval of the e-Handbook, 6.1.6."""
    reach = float(ndtri(0.5 + 0.5 * confidence)) * sqrt(
        1.0 / (9.0 * count) + value * value / (2.0 * (count - 1))
    )
    return Index(value, value - reach, value + reach)
