"""Tolerance limits: where at least so much of a whole population lies, told from a sample of it.

"At least 99 % of all such units lie below this, with 95 % confidence": 99 % is the coverage, 95 %
the confidence.  For normal values mean and standard deviation are drawn apart by a factor k
(NIST/SEMATECH e-Handbook 7.2.6.3): one-sided exact by the noncentral t distribution, two-sided
exact by an integral over where the sample's mean may lie.  Without any distribution the sample's
own order holds the limits (Wilks, Annals of Mathematical Statistics 12, 1941; from memory), and
asks for many more units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from math import ceil, isfinite, log, sqrt

import numpy as np
from scipy.special import bdtrc, betaincinv, chdtrc, chndtrix, nctdtrit, ndtri

SHARE_LOW, SHARE_HIGH = 0.5, 0.9999
"""Coverage and confidence that are worked with: less says nothing, more needs a factory."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)
_FAR = 8.0
"""Standard deviations of the mean beyond which nothing is left to integrate (1e-15)."""


class Side(StrEnum):
    """On which side of the values the limit lies."""

    LOW = "low"
    HIGH = "high"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class Interval:
    """Tolerance limits in the values' unit; None where there is none.

    ``factor`` is k for normal values, ``order`` the place of the limit's value from the outermost
    (1) in the sample where no distribution was used.
    """

    low: float | None
    high: float | None
    factor: float | None = None
    order: int | None = None


def factor(count: int, coverage: float, confidence: float, side: Side) -> float:
    """Return k: the limits are the mean and k sample standard deviations beside it.

    ``count`` values (2 or more); ``coverage`` and ``confidence`` from 0.5 to 0.9999.  Raises
    ValueError for anything else.
    """
    _need(coverage, confidence)
    if count < 2:
        raise ValueError(f"a spread needs at least two values, not {count}")
    if side is Side.BOTH:
        return _two_sided(count, coverage, confidence)
    root = sqrt(count)
    return float(nctdtrit(count - 1, float(ndtri(coverage)) * root, confidence)) / root


@lru_cache(maxsize=256)
def _two_sided(count: int, coverage: float, confidence: float) -> float:
    """Solve for the k that keeps the confidence on average over the sample's mean.

    With the mean z (standard deviations) off, the limits hold ``coverage`` if k s reaches r(z),
    where Phi(z + r) - Phi(z - r) = coverage: r^2 is a quantile of the noncentral chi-square.
    """
    from scipy.optimize import brentq

    far = _FAR / sqrt(count)
    z = 0.5 * far * (_NODES + 1.0)
    weight = far * _WEIGHTS * sqrt(count / (2.0 * np.pi)) * np.exp(-0.5 * count * z * z)
    reach_sq = chndtrix(coverage, 1.0, z * z)

    def over(k: float) -> float:
        holds = chdtrc(count - 1.0, (count - 1.0) * reach_sq / (k * k))
        return float(np.sum(weight * holds)) - confidence

    high = 2.0
    while over(high) < 0.0:
        high *= 2.0
    return float(brentq(over, 0.05, high, xtol=1e-10))


def normal_interval(
    values: Sequence[float], coverage: float, confidence: float, side: Side
) -> Interval:
    """Return the tolerance limits of normally distributed ``values`` (two or more, finite)."""
    sample = _finite(values)
    k = factor(len(sample), coverage, confidence, side)
    mean, reach = float(sample.mean()), k * float(sample.std(ddof=1))
    return Interval(
        None if side is Side.HIGH else mean - reach,
        None if side is Side.LOW else mean + reach,
        factor=k,
    )


def order_interval(
    values: Sequence[float], coverage: float, confidence: float, side: Side
) -> Interval | None:
    """Return the limits that hold whatever the distribution; None if there are too few values.

    Of the values that would do, the innermost are taken (on both sides equally far in).
    """
    _need(coverage, confidence)
    sample = np.sort(_finite(values))
    count, ends = len(sample), 2 if side is Side.BOTH else 1
    order = 0
    while ends * (order + 1) < count and _held(count, ends * (order + 1), coverage) >= confidence:
        order += 1
    if order == 0:
        return None
    return Interval(
        None if side is Side.HIGH else float(sample[order - 1]),
        None if side is Side.LOW else float(sample[count - order]),
        order=order,
    )


def least_count(coverage: float, confidence: float, side: Side) -> int:
    """Return how many values are needed at least to set limits without any distribution."""
    _need(coverage, confidence)
    outside = 2 if side is Side.BOTH else 1
    low, high = 1, ceil(log(1.0 - confidence) / log(coverage)) * 8 + 8
    while low < high:
        middle = (low + high) // 2
        if middle >= outside and _held(middle, outside, coverage) >= confidence:
            high = middle
        else:
            low = middle + 1
    return low


def coverage_reached(count: int, confidence: float, side: Side) -> float:
    """Return what part of all such units the outermost of ``count`` values hold, 0 to 1.

    With ``confidence``, whatever the distribution.
    """
    outside = 2 if side is Side.BOTH else 1
    if count <= outside:
        return 0.0
    # What lies within is beta distributed: count + 1 - outside, outside.
    return float(betaincinv(count + 1 - outside, outside, 1.0 - confidence))


def _held(count: int, outside: int, coverage: float) -> float:
    """Return the confidence that what is left after ``outside`` values hold ``coverage``."""
    return float(bdtrc(outside - 1, count, 1.0 - coverage))


def _finite(values: Sequence[float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    if not all(isfinite(value) for value in values):
        raise ValueError("tolerance limits need finite values")
    return np.array(values, dtype=np.float64)


def _need(coverage: float, confidence: float) -> None:
    for name, share in (("coverage", coverage), ("confidence", confidence)):
        if not SHARE_LOW <= share <= SHARE_HIGH:
            raise ValueError(f"a {name} is from {SHARE_LOW} to {SHARE_HIGH}, not {share}")
