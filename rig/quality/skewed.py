"""Values that may be skewed: straightened as a log-normal distribution with a start of its own is.

A tolerance limit worked out as if skewed values were normal lies too near on the long side, and the
more values there are the surer it is wrong.  Of a sample the skewness is known but roughly, so a
limit that is to hold has to allow for more of it than is seen.  `skewed_interval` does: it finds
the bend g at which y = ln(1 + g u) / g, u = (x - mean) / s, has a skewness `LEAN` standard errors
below none (for 95 % confidence, in proportion for others), takes the limit of normal values in y,
and puts it back.  The limit is never nearer than that of normal values.

The log-normal with a location of its own is in the NIST/SEMATECH e-Handbook (1.3.6.6.9, from
memory); that a limit is set at an upper bound of its skewness is this program's own, and how much
is allowed was set by simulation (tests/quality/test_skewed.py): no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import expm1, inf, log1p, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rig.quality.normality import skewness_of
from rig.quality.tolerance import Interval, Side, factor

LEAN = 0.75
"""So many standard errors more skewness than is seen are allowed for, at 95 % confidence."""

MOST_SHAPE = 0.5
"""Beyond what is seen no more is allowed for than a log-normal's of this standard deviation of the
logarithms (skewness 1.75): a few values exclude no shape at all, and would set no limit (guess)."""

_STRAIGHT = 1e-3
"""A bend that moves nothing: the values are taken as they are."""


@dataclass(frozen=True, slots=True)
class Straightened:
    """How values are made straight: those of a long tail upwards, or (``up`` False) downwards.

    ``mean`` and ``sd`` are of the values, ``bend`` is g (0: they are left as they are), ``centre``
    and ``spread`` the mean and standard deviation of what they become.
    """

    up: bool
    mean: float
    sd: float
    bend: float
    centre: float
    spread: float

    @property
    def shape(self) -> float:
        """The standard deviation of the logarithms; 0 where none were taken."""
        return self.bend * self.spread

    @property
    def start(self) -> float:
        """Where the distribution begins, or ends if its tail is downwards; infinite if nowhere."""
        away = self.sd / self.bend if self.bend else inf
        return self.mean - away if self.up else self.mean + away

    def straight(self, value: float) -> float:
        """Return what ``value`` becomes; infinite from the distribution's start on."""
        u = (value - self.mean) / self.sd
        if not self.bend:
            return u
        inside = self.bend * (u if self.up else -u)
        y = log1p(inside) / self.bend if inside > -1.0 else -inf
        return y if self.up else -y

    def value(self, straight: float) -> float:
        """Return the value that becomes ``straight``."""
        if not self.bend:
            return self.mean + self.sd * straight
        y = straight if self.up else -straight
        u = expm1(min(self.bend * y, 700.0)) / self.bend
        return self.mean + self.sd * (u if self.up else -u)


def straightened(
    values: Sequence[float], *, up: bool, to: float = 0.0, most_shape: float = inf
) -> Straightened:
    """Return how ``values`` (three or more, not all alike) get the skewness ``to`` (0 or less).

    Skewness counts on the side of the tail: upwards, or downwards if not ``up``.  Values of no more
    than that are left as they are.  The shape stays below ``most_shape``.
    """
    sample = np.array(values, dtype=np.float64)
    mean, sd = float(sample.mean()), float(sample.std(ddof=1))
    u = (sample - mean) / sd if up else (mean - sample) / sd
    bend = _bend(u, to, most_shape)
    if bend < _STRAIGHT:
        return Straightened(up, mean, sd, 0.0, 0.0, 1.0)
    y = _bent(u, bend)
    centre = float(y.mean())
    return Straightened(up, mean, sd, bend, centre if up else -centre, float(y.std(ddof=1)))


_Values = NDArray[np.float64]


def _bent(u: _Values, bend: float) -> _Values:
    return u if bend < _STRAIGHT else np.log1p(bend * u) / bend


def _bend(u: _Values, to: float, most_shape: float) -> float:
    """Solve for the bend: the more, the less skewness and the more shape there is."""
    if skewness_of(u) <= to:
        return 0.0
    most = (1.0 - 1e-9) / -float(u.min())  # from there on the lowest value has no logarithm
    from scipy.optimize import brentq

    def left(bend: float) -> float:
        return skewness_of(_bent(u, bend)) - to

    def shape(bend: float) -> float:
        return bend * float(_bent(u, bend).std(ddof=1)) - most_shape

    bend = float(brentq(left, 0.0, most, xtol=1e-9)) if left(most) < 0.0 else most
    return bend if shape(bend) <= 0.0 else float(brentq(shape, 0.0, bend, xtol=1e-9))


def best_straightened(values: Sequence[float]) -> Straightened:
    """Return how ``values`` come to have no skewness, whichever side their tail is on."""
    return straightened(values, up=skewness_of(np.array(values, dtype=np.float64)) > 0.0)


def skewness_error(count: int) -> float:
    """Return the standard error of a normal sample's adjusted skewness (from memory)."""
    n = float(count)
    return sqrt(6.0 * n * (n - 1.0) / ((n - 2.0) * (n + 1.0) * (n + 3.0)))


def skewed_interval(
    values: Sequence[float],
    coverage: float,
    confidence: float,
    side: Side,
    count: int | None = None,
) -> Interval:
    """Return the tolerance limits of ``values`` that may be normal or skewed.

    ``count``: those that so many values of the same mean, spread and skewness would set.  Raises
    ValueError as `rig.quality.tolerance.factor` does.
    """
    size = len(values) if count is None else count
    k = factor(size, coverage, confidence, side)
    lean = LEAN * float(ndtri(confidence)) / float(ndtri(0.95)) * skewness_error(size)

    def limit(*, up: bool) -> float:
        seen = straightened(values, up=up)
        bent = straightened(values, up=up, to=-lean, most_shape=max(MOST_SHAPE, seen.shape))
        away = k if up else -k
        plain = seen.mean + away * seen.sd
        skewed = bent.value(bent.centre + away * bent.spread)
        return max(plain, skewed) if up else min(plain, skewed)

    return Interval(
        None if side is Side.HIGH else limit(up=False),
        None if side is Side.LOW else limit(up=True),
        factor=k,
    )
