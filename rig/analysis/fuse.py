"""How long a blade fuse carries a current above its rating.

Data sheets give gates: at so many times the rating the fuse opens within a span of time.  Between
the gates this module draws straight lines on double-logarithmic paper, as such curves are printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis.trace import FloatArray

COMMON_RATINGS_A = (5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
"""Blade fuses that every shop has, A (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Gate:
    """At ``multiple`` of the rating: opens after ``earliest_s`` to ``latest_s`` (s).

    None where the sheet gives no such edge.
    """

    multiple: float
    earliest_s: float | None
    latest_s: float | None


@dataclass(frozen=True, slots=True)
class FuseSeries:
    """Gates of a kind of fuse in rising multiples, and where they come from.

    ``published`` is False if the document itself was not seen.
    """

    name: str
    gates: tuple[Gate, ...]
    source: str
    published: bool = True


_HOURS_100 = 360_000.0
_CARRIES = Gate(1.10, _HOURS_100, None)

BLADE = FuseSeries(
    "blade",
    (
        _CARRIES,
        Gate(1.35, 0.75, 600.0),
        Gate(1.6, 0.25, None),
        Gate(2.0, 0.15, 5.0),
        Gate(3.5, 0.08, 0.5),
        Gate(6.0, 0.03, 0.15),
    ),
    "32 V blade fuse of any make, the widest span of the Littelfuse 257, 287 and 297 sheets: least "
    "time at 160 % from the 287 (10 A), least at 600 % from the 297 (25 A), longest at 600 % from "
    "the 287 (35 and 40 A)",
)
"""What may be fitted where nobody knows the make: the default."""

BLADE_257 = FuseSeries(
    "blade_257",
    (_CARRIES, Gate(1.35, 0.75, 600.0), Gate(2.0, 0.15, 5.0), Gate(3.5, 0.08, 0.5)),
    "Littelfuse 257 series sheet, 3 to 40 A (2010 catalogue)",
)
BLADE_287 = FuseSeries(
    "blade_287",
    (_CARRIES, Gate(1.35, 0.75, 600.0), Gate(1.6, 0.25, 50.0), Gate(2.0, 0.15, 5.0)),
    "Littelfuse 287 series sheet, 10 A (160 % and 200 %; 160 % stands on this sheet alone); 110 % "
    "and 135 % as in the sheets of its neighbours",
)
BLADE_58V = FuseSeries(
    "blade_58v",
    (_CARRIES, Gate(1.35, 0.75, 1800.0), Gate(2.0, 0.15, 5.0), Gate(3.5, 0.04, 0.5)),
    "Littelfuse TAC sheet, 58 V (a distributor's copy)",
)
MINI_58V = FuseSeries(
    "mini_58v",
    (
        _CARRIES,
        Gate(1.35, 0.75, 600.0),
        Gate(2.0, 0.15, 5.0),
        Gate(3.5, 0.08, 0.5),
        Gate(6.0, 0.03, 0.1),
    ),
    "Littelfuse 0997 series sheet, 58 V, 10 A",
)
MAXI = FuseSeries(
    "maxi",
    (
        Gate(1.0, _HOURS_100, None),
        Gate(1.35, 60.0, 1800.0),
        Gate(2.0, 2.0, 50.0),
        Gate(3.5, 0.2, 7.0),
        Gate(6.0, 0.04, 1.0),
    ),
    "Littelfuse 299 series sheet",
)
ISO_TYPE_C = FuseSeries(
    "iso_type_c",
    (
        _CARRIES,
        Gate(1.35, 0.75, 600.0),
        Gate(1.6, 0.25, 50.0),
        Gate(2.0, 0.15, 5.0),
        Gate(3.5, 0.04, 0.5),
        Gate(6.0, 0.02, 0.1),
    ),
    "ISO 8820-3 type C, from memory: the standard was not seen",
    published=False,
)

SERIES = {
    series.name: series
    for series in (BLADE, BLADE_257, BLADE_287, BLADE_58V, MINI_58V, MAXI, ISO_TYPE_C)
}


def earliest_s(current_a: float, rating_a: float, series: FuseSeries = BLADE) -> float:
    """Return how long (s) every sound fuse carries ``current_a``; infinite below the first gate.

    Above the last gate the time falls with the square of the current: the element melts before it
    can lose heat, so that it always takes the same integral of current squared.
    """
    return float(_earliest_s(np.array([current_a / rating_a]), series)[0])


def latest_s(current_a: float, rating_a: float, series: FuseSeries = BLADE) -> float:
    """Return by when (s) a sound fuse has opened at ``current_a``; infinite if it need not."""
    return float(_latest_s(np.array([current_a / rating_a]), series)[0])


def _earliest_s(multiple: FloatArray, series: FuseSeries) -> FloatArray:
    gates = [(g.multiple, g.earliest_s) for g in series.gates if g.earliest_s is not None]
    beyond = np.maximum(multiple / gates[-1][0], 1.0)
    times_s: FloatArray = _between(multiple, gates) / beyond**2
    return times_s


def _latest_s(multiple: FloatArray, series: FuseSeries) -> FloatArray:
    gates = [(g.multiple, g.latest_s) for g in series.gates if g.latest_s is not None]
    return _between(multiple, gates)


def _between(multiple: FloatArray, gates: list[tuple[float, float]]) -> FloatArray:
    """Straight lines on double-logarithmic paper; infinite below the first gate."""
    at, times_s = np.log(np.array(gates)).T
    # A hair of slack: 135 % of 3 A is 134.99...% in floating point.
    reached = multiple >= gates[0][0] * (1 - 1e-9)
    safe = np.where(reached, multiple, gates[0][0])
    return np.where(reached, np.exp(np.interp(np.log(safe), at, times_s)), np.inf)


@dataclass(frozen=True, slots=True)
class Span:
    """From ``low_s`` to ``high_s`` (s); infinite: it need not happen at all."""

    low_s: float
    high_s: float


def opens_after(
    time_s: FloatArray, current_a: FloatArray, rating_a: float, series: FuseSeries = BLADE
) -> Span:
    """Return when (s after the first sample) a fuse opens at the earliest and at the latest.

    The current may change.  Rule: each moment uses up the part dt / t(i) of the fuse, t(i) being
    its time at that current, and it opens when the parts add up to one (linear accumulation, as
    Miner's rule does for fatigue).  For a constant current this is the curve itself; it forgets
    what a fuse cools in between, so that it is meant for currents that fall or rise slowly.
    """
    multiple = np.asarray(current_a, dtype=np.float64) / rating_a
    return Span(
        _used_up(time_s, 1.0 / _earliest_s(multiple, series)),
        _used_up(time_s, 1.0 / _latest_s(multiple, series)),
    )


def _used_up(time_s: FloatArray, rate_per_s: FloatArray) -> float:
    steps = np.diff(time_s) * 0.5 * (rate_per_s[1:] + rate_per_s[:-1])
    used = np.concatenate(([0.0], np.cumsum(steps)))
    if not len(used) or used[-1] < 1.0:
        return math.inf
    k = int(np.searchsorted(used, 1.0))
    part = (1.0 - used[k - 1]) / (used[k] - used[k - 1])
    return float(time_s[k - 1] + part * (time_s[k] - time_s[k - 1]) - time_s[0])
