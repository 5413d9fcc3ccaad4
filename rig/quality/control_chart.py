"""Control charts of single values: individuals and moving range, and EWMA; with a few run rules.

Sources: NIST/SEMATECH e-Handbook 6.3.2.2 (individuals and moving range) and 6.3.2.4 (EWMA), whose
worked examples the tests hold this to; the run rules are among those of 6.3.2 (Western Electric).

Those charts take centre and sigma for known.  Set by 15 checks they are not: three such charts give
a false alarm within 20 checks more often than not (computed).  `baseline_limits` therefore widens
them to prediction limits (Student's t, and the centre's own variance), shared among the charts that
are watched at once; the tests simulate what that comes to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from math import floor, isfinite, log10, sqrt

from scipy.special import ndtr, ndtri, stdtrit

from rig.quality.range_constants import c4, d2, range_limits

SIGMAS = 3.0
LAMBDA, WIDTH = 0.2, 2.962
"""The EWMA's weight of the newest value and its limits' width in standard deviations: together with
a known centre and sigma one false alarm in 500 checks (computed in the tests by a Markov chain)."""

LEAST_BASELINE = 5
"""Fewer values set no limits worth the name (guess)."""


FALSE_ALARM = 0.05
"""Of looks back at a steady process, in each chart (common practice; the tests simulate both)."""


class Signal(StrEnum):
    """Why a point is not what chance would give."""

    BEYOND = "beyond"  # the value lies beyond its control limits
    DRIFT = "drift"  # the EWMA lies beyond its limits
    SPREAD = "spread"  # the step from the value before lies above the moving range's limit
    TWO_OF_THREE = "two_of_three"  # beyond two thirds of the way to the same limit
    NINE_ON_ONE_SIDE = "nine_on_one_side"


ALARMS = frozenset({Signal.BEYOND, Signal.DRIFT})
"""What puts the rig out of control.  The others only call for a look: each rule more is more false
alarms, and the EWMA sees slow drifts already."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Centre and sigma of a chart, and how many values they come from.

    ``moving_range`` is the mean of the baseline's moving ranges; ``floored`` tells that sigma was
    raised to the least that is worth an alarm.  ``reach`` (single values) and ``width`` (EWMA) are
    how many sigmas the limits are away; ``of_centre`` is the centre's variance in sigmas squared.
    """

    centre: float
    sigma: float
    moving_range: float
    count: int
    floored: bool = False
    reach: float = SIGMAS
    width: float = WIDTH
    of_centre: float = 0.0

    @property
    def low(self) -> float:
        """The lower control limit of a single value."""
        return self.centre - self.reach * self.sigma

    @property
    def high(self) -> float:
        """The upper control limit of a single value."""
        return self.centre + self.reach * self.sigma

    def shown(self, value: float, unit: str = "") -> str:
        """Return ``value`` with as many decimals as sigma makes sense of, and its unit."""
        decimals = 3 if self.sigma <= 0.0 else max(0, 1 - floor(log10(self.sigma)))
        return f"{value:.{decimals}f} {unit}".rstrip()

    @property
    def range_high(self) -> float:
        """The upper control limit of a moving range of two values."""
        return range_limits(2)[1] * d2(2) * self.sigma * self.reach / SIGMAS


@dataclass(frozen=True, slots=True)
class Point:
    """One value on the charts; what is compared with limits is None in the baseline.

    ``step`` is the moving range to the value before, None for the first.
    """

    value: float
    step: float | None
    ewma: float | None = None
    ewma_low: float | None = None
    ewma_high: float | None = None
    signals: tuple[Signal, ...] = ()

    @property
    def alarm(self) -> bool:
        """Whether the point says that the rig is out of control."""
        return any(signal in ALARMS for signal in self.signals)


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart of values in their order; ``limits`` is None while the baseline is not complete."""

    points: tuple[Point, ...]
    baseline: int
    limits: Limits | None

    @property
    def left(self) -> int:
        """How many values the baseline still wants."""
        return max(0, self.baseline - len(self.points))


def limits_of(values: Sequence[float]) -> Limits:
    """Return the handbook's limits: mean, and mean moving range over d2, as if they were known.

    Raises ValueError for fewer than two values.
    """
    if len(values) < 2:
        raise ValueError(f"limits need at least two values, not {len(values)}")
    steps = [abs(b - a) for a, b in pairwise(values)]
    moving_range = sum(steps) / len(steps)
    return Limits(sum(values) / len(values), moving_range / d2(2), moving_range, len(values))


def baseline_limits(
    values: Sequence[float], *, charts: int = 1, least_sigma: float = 0.0
) -> Limits:
    """Return the limits that a baseline sets for what comes after it.

    Sigma is the larger of what moving range and standard deviation say: a baseline that wanders
    from day to day must not set limits by its small steps.  ``charts`` are watched at once and
    share one chart's false alarms.  ``least_sigma`` keeps limits from being set by a baseline that
    happened to lie too close, or by values that the sensor's steps made equal.
    """
    plain = limits_of(values)
    count = plain.count
    spread = sqrt(sum((v - plain.centre) ** 2 for v in values) / (count - 1)) / c4(count)
    sigma = max(plain.sigma, spread)

    def wide(known: float) -> float:
        """Return what stands for ``known`` sigmas where sigma is estimated."""
        tail = float(ndtr(-known)) / charts
        return -float(stdtrit(count - 1, tail))

    return Limits(
        plain.centre,
        max(sigma, least_sigma),
        plain.moving_range,
        count,
        sigma < least_sigma,
        wide(SIGMAS) * sqrt(1.0 + 1.0 / count),
        wide(WIDTH),
        1.0 / count,
    )


def chart(
    values: Sequence[float],
    baseline: int,
    *,
    charts: int = 1,
    least_sigma: float = 0.0,
    weight: float = LAMBDA,
) -> Chart:
    """Return the chart of finite ``values``: the first ``baseline`` set the limits.

    The EWMA begins at the centre with the first value after the baseline.  Raises ValueError for a
    baseline of less than `LEAST_BASELINE`, or a value that is not finite.
    """
    if baseline < LEAST_BASELINE:
        raise ValueError(f"a baseline needs at least {LEAST_BASELINE} values, not {baseline}")
    if not all(isfinite(value) for value in values):
        raise ValueError("a chart needs finite values")
    limits = None
    if len(values) >= baseline:
        limits = baseline_limits(values[:baseline], charts=charts, least_sigma=least_sigma)
    return Chart(_points(values, baseline, limits, weight), baseline, limits)


def monitored(
    values: Sequence[float], limits: Limits, *, weight: float = LAMBDA
) -> tuple[Point, ...]:
    """Return the points of ``values`` on charts whose limits are known."""
    return _points(values, 0, limits, weight)


def in_hindsight(values: Sequence[float], step: float = 0.0) -> tuple[Point, ...]:
    """Return the points of finite ``values`` on charts whose limits they set themselves.

    Centre and sigma are the handbook's (`limits_of`), so that a drift does not widen the limits by
    what it adds to the spread.  The limits are as wide as let one of a steady process' values out,
    in each chart, in `FALSE_ALARM` of such looks: the more values, the wider.  Values that come in
    steps jump by a ``step`` without any change, and their moving ranges are none for the most part:
    the limits lie half of one farther out.  Raises ValueError for fewer than two values.
    """
    limits = limits_of(values)
    reach = -float(ndtri(0.5 * FALSE_ALARM / max(len(values), 2)))
    if step > 0.0 and limits.sigma > 0.0:
        reach += 0.5 * step / limits.sigma
    return monitored(values, replace(limits, reach=reach, width=reach))


def ewma_limits(limits: Limits, number: int, weight: float = LAMBDA) -> tuple[float, float]:
    """Return the exact limits of the ``number``-th EWMA (from 1): narrow at first."""
    left = (1.0 - weight) ** number  # of the centre in the EWMA
    share = weight / (2.0 - weight) * (1.0 - left**2) + (1.0 - left) ** 2 * limits.of_centre
    reach = limits.width * limits.sigma * sqrt(share)
    return limits.centre - reach, limits.centre + reach


def _points(
    values: Sequence[float], baseline: int, limits: Limits | None, weight: float
) -> tuple[Point, ...]:
    points = []
    ewma = limits.centre if limits else 0.0
    for at, value in enumerate(values):
        step = None if at == 0 else abs(value - values[at - 1])
        if limits is None or at < baseline:
            points.append(Point(value, step))
            continue
        ewma = weight * value + (1.0 - weight) * ewma
        low, high = ewma_limits(limits, at - baseline + 1, weight)
        signals = list(_of_value(values[baseline : at + 1], limits))
        if not low <= ewma <= high:
            signals.append(Signal.DRIFT)
        if step is not None and step > limits.range_high:
            signals.append(Signal.SPREAD)
        points.append(Point(value, step, ewma, low, high, tuple(signals)))
    return tuple(points)


def _of_value(so_far: Sequence[float], limits: Limits) -> list[Signal]:
    """Return what the newest of the monitored values signals by itself and with those before."""
    away = [value - limits.centre for value in so_far[-9:]]
    signals = []
    if abs(away[-1]) > limits.reach * limits.sigma:
        signals.append(Signal.BEYOND)
    for sign in (1.0, -1.0):
        beyond = [sign * a > limits.reach * limits.sigma * 2.0 / 3.0 for a in away[-3:]]
        if beyond[-1] and sum(beyond) >= 2:
            signals.append(Signal.TWO_OF_THREE)
        if len(away) == 9 and all(sign * a > 0.0 for a in away):
            signals.append(Signal.NINE_ON_ONE_SIDE)
    return signals
