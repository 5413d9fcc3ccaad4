"""Resistance of the feed from how far the voltage falls under the motor's current."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import Accuracy
from rig.analysis.rest import readable
from rig.analysis.trace import BoolArray, FloatArray, Trace

# The source may recover or settle between half-turns: each has its own voltage at rest, seen so
# long (s) before its feed change.
BEFORE_S = 0.2
# A feed's contact bounces and a supply answers a switch for so long (s, guess).
SETTLE_S = 0.02
# The sensor converts current and voltage one after the other, each within 0.53 ms (INA219 data
# sheet SBOS448): they may be apart by so much (s).
APART_S = 0.001
# Steps of a voltage reading (V): an INA219's last digit is 4 mV at 12 bits and 32 mV at 9 (data
# sheet SBOS448).  A trace's own least step counts, if it is one of a digit; else that of 10 bits.
LEAST_STEP_V, MOST_STEP_V, USUAL_STEP_V = 0.004, 0.032, 0.016
# A relay coil's current has settled so long after its feed is made (s): TE V23234, 7 ms operate.
COIL_SETTLES_S = 0.06
# Fewer points than this, or a current that varied less (A), determine no slope (guess).
POINTS, LEAST_A = 8, 0.5
# ... or currents that lay no farther apart (A) once what they moved within a reading is taken off:
# a unit that runs on from the moment it is fed shows its inrush and no rest (guess).
APART_LEAST_A = 0.25

# A voltage below this part of the usual one is a feed that is gone, not one that sags.
GONE = 0.5

# A source that recovers or is charged drifts over a half-turn and its rests.  It is taken to be
# still if a drift along a line makes no more than this part of the slope, else to drift along that
# line.  A slope less sure than this part and this resistance (ohm) is not told (guess).
SAME_PART, UNSURE_PART, UNSURE_OHM = 0.02, 0.25, 0.02
# A source that jumps by more than this (V) from one reading to the next, beyond what any feed's
# resistance (ohm) makes of the current's change, is another source from there on (guesses).
JUMP_V, MOST_OHM = 0.1, 1.0
# Where the variance left is so many times the readings' own, it is a source that moves, alike from
# point to point; no more alike can be told than so (guesses).
MISFIT, ALIKE_MOST = 2.0, 0.98

_DRIFTS = (
    "the supply's voltage moved too much by itself to tell its sag: let it settle (no charger, a "
    "rested battery) and run a step of half-turns again"
)
_GONE = "the voltage did not fall with the current: the feed came and went"
_NO_REST = (
    "no reading at rest stands beside those of the motor running: a step of half-turns, in which "
    "the unit rests between them, brings it"
)
_NO_CURRENT = "the motor's current did not change in this trace: a step of half-turns brings that"


@dataclass(frozen=True, slots=True)
class _Points:
    """Readings of one quantity against the motor's current, each a fresh one."""

    current_a: FloatArray
    value: FloatArray
    current_u_a: FloatArray
    window: NDArray[np.intp]
    time_s: FloatArray


def sag_ohm(trace: Trace, accuracy: Accuracy, voltage_every: int = 10) -> Estimate:
    """Return the resistance (ohm) between the source's EMF and the sensor's voltage input.

    The slope of voltage on current over rest, inrush and running, with a voltage at rest of its
    own for each half-turn; weighted least squares, the uncertainty from the residuals and from
    the declared gains.  ``voltage_every``: with how many samples one voltage is read.
    """
    good = readable(trace) & np.asarray(trace.battery_feed, dtype=np.bool_)
    good &= np.isfinite(trace.voltage_v)
    held_s = (voltage_every + 2) * _step_s(trace.time_s)  # until the voltage has been read anew
    fed_s = _since_s(trace.time_s, np.asarray(trace.battery_feed, dtype=np.bool_))
    good &= fed_s > max(SETTLE_S, held_s)
    if good.any():
        good &= trace.voltage_v > GONE * float(np.max(trace.voltage_v[good]))
    points = _apart_at_jumps(_points(trace, trace.voltage_v, good, voltage_every))
    gain_u_rel = math.hypot(accuracy.gain_u_rel, accuracy.voltage_gain_u_rel)
    return _slope(points, 0.0, gain_u_rel)


def coil_sag_ohm(trace: Trace, coil_accuracy: Accuracy, accuracy: Accuracy) -> Estimate:
    """Return what the relay coil and the motor have in common (ohm): source and unit's earth.

    From how far the coil's current falls while the motor draws: the coil's voltage falls in the
    same proportion.  Needs the sensor in the ignition feed.
    """
    coil_a = trace.extra.get("ignition_current_a")
    if coil_a is None:
        return unknown("ohm", "no sensor in the ignition feed sees the relay coil's current")
    ignition = np.asarray(trace.ignition_feed, dtype=np.bool_)
    made = ignition & np.asarray(trace.battery_feed, dtype=np.bool_)
    good = readable(trace) & made & np.isfinite(coil_a) & np.isfinite(trace.voltage_v)
    good &= _since_s(trace.time_s, made) > COIL_SETTLES_S
    good &= _since_s(trace.time_s, ignition) > COIL_SETTLES_S
    if not good.any():
        return unknown("ohm", "the ignition feed was not made while the battery feed was")
    # Lowest currents: the unit at rest, where the coil has the whole voltage.
    least_a = float(np.min(trace.current_a[good]))
    at_rest = good & (trace.current_a < least_a + 0.5 * LEAST_A)
    rest_v = float(np.median(trace.voltage_v[at_rest]))
    rest_coil_a = float(np.median(coil_a[at_rest]))
    if not rest_coil_a > 10.0 * coil_accuracy.offset_u_a:
        return unknown("ohm", "no coil current flows: look at the relay's coil and its feed")
    volts = coil_a * (rest_v / rest_coil_a)
    points = _points(trace, volts, good, 5)
    noise_v = float(np.std(volts[at_rest]))
    gain_u_rel = math.hypot(accuracy.gain_u_rel, accuracy.voltage_gain_u_rel)
    gain_u_rel = math.hypot(gain_u_rel, coil_accuracy.offset_u_a / rest_coil_a)
    return _slope(points, noise_v, gain_u_rel)


def surest(estimates: Iterable[Estimate]) -> Estimate:
    """Return the estimate that is known best, of several traces say; else the first."""
    found = tuple(estimates)
    known = [e for e in found if e.u is not None]
    return min(known, key=lambda e: e.u or 0.0) if known else found[0]


def _step_s(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0


def _since_s(time_s: FloatArray, state: BoolArray) -> FloatArray:
    """Return for how long (s) ``state`` has held at each sample; 0 where it does not."""
    last_other = np.maximum.accumulate(np.where(state, time_s[:1] - 1e-9, time_s))
    since: FloatArray = time_s - last_other
    return since


def _points(trace: Trace, value: FloatArray, good: BoolArray, every: int) -> _Points:
    """One point for each fresh reading of ``value``, which is held for up to ``every`` samples."""
    time_s, current_a = trace.time_s, np.asarray(trace.current_a, dtype=np.float64)
    edges = np.flatnonzero(np.diff(trace.ignition_feed.astype(np.int8))) + 1
    starts_s = time_s[edges] - BEFORE_S
    rows = np.flatnonzero(good)
    if not len(rows):
        nothing = np.empty(0)
        return _Points(nothing, nothing, nothing, np.empty(0, dtype=np.intp), nothing)
    drawn_a = current_a[rows]
    changed = (np.diff(value[rows]) != 0.0) & (np.diff(rows) == 1)
    fresh = np.concatenate(([False], changed))
    begins = np.flatnonzero(np.concatenate(([True], changed)))
    first = np.array(_filled(begins.tolist(), len(rows), every))
    # Where the reading did not change it may be as old as the one before.
    low_a, high_a = np.minimum.reduceat(drawn_a, first), np.maximum.reduceat(drawn_a, first)
    low_a = np.minimum(low_a, np.append(low_a[:1], low_a[:-1]))
    high_a = np.maximum(high_a, np.append(high_a[:1], high_a[:-1]))
    part = min(1.0, APART_S / _step_s(time_s))
    u_a = np.where(fresh[first], _moves_a(drawn_a)[first] * part, high_a - low_a)
    held_a = np.where(fresh[first], drawn_a[first], 0.5 * (low_a + high_a))
    window = np.searchsorted(starts_s, time_s[rows][first], side="right")
    # The first reading of a stretch may be of before it, and of any current.
    own = np.concatenate(([False], np.diff(rows) == 1))[first]
    value_then, time_then_s = value[rows][first], time_s[rows][first]
    columns = (held_a, value_then, u_a, window.astype(np.intp), time_then_s)
    return _Points(*(column[own] for column in columns))


def _apart_at_jumps(points: _Points) -> _Points:
    """Return the points with a window for each source: after a jump it is another."""
    u_a = points.current_u_a
    moved_a = np.abs(np.diff(points.current_a)) + u_a[1:] + u_a[:-1]
    jumps = np.abs(np.diff(points.value)) > JUMP_V + MOST_OHM * moved_a
    before = np.concatenate(([0], np.cumsum(jumps))) if len(jumps) else np.zeros(len(u_a))
    return replace(points, window=points.window + before.astype(np.intp))


def _moves_a(current_a: FloatArray) -> FloatArray:
    """Return by how much (A) each sample differs from its neighbours, at most."""
    step = np.abs(np.diff(current_a))
    moves: FloatArray = np.maximum(np.append(step, 0.0), np.append(0.0, step))
    return moves


def _filled(firsts: list[int], count: int, every: int) -> list[int]:
    """Return the begins of readings, with those that read the same as the one before."""
    found: list[int] = []
    for begin, end in zip(firsts, [*firsts[1:], count], strict=True):
        found.extend(range(begin, end, every))
    return found


def _slope(points: _Points, noise_v: float, gain_u_rel: float) -> Estimate:
    """Return minus the slope of value on current, windows apart (ohm)."""
    if len(points.value) < POINTS or np.ptp(points.current_a) < LEAST_A:
        return unknown("ohm", _NO_CURRENT)
    step_v = _least_step_v(points.value)
    value_u = math.hypot(noise_v, step_v / math.sqrt(12.0))
    still, straight, curved = (_fit(points, value_u, degree) for degree in (0, 1, 2))
    if still is None or straight is None or curved is None:
        return unknown("ohm", _NO_CURRENT)
    if still.apart_a < APART_LEAST_A:
        return unknown("ohm", _NO_REST)
    drifts = not still.is_like(straight)
    found, freer = (straight, curved) if drifts else (still, straight)
    ohm = found.ohm
    # At rest and while running the reading may stand on one code each: both ends are then off by
    # anything up to half a step, however many points there are.
    digit_ohm = step_v / math.sqrt(6.0) / found.apart_a
    # What a freer drift makes of the slope counts, unless by chance.
    drift_ohm = abs(ohm - freer.ohm)
    drift_ohm = drift_ohm if drift_ohm > freer.u_ohm else 0.0
    u_ohm = math.hypot(found.u_ohm, gain_u_rel * ohm, digit_ohm, drift_ohm)
    if drifts:
        u_ohm = math.hypot(u_ohm, SAME_PART * ohm)
    if u_ohm > UNSURE_PART * max(ohm, 0.0) + UNSURE_OHM:
        return unknown("ohm", _DRIFTS)
    if ohm < -3.0 * u_ohm:
        return unknown("ohm", _GONE)
    return Estimate(ohm, u_ohm, "ohm")


@dataclass(frozen=True, slots=True)
class _Fit:
    """A slope (ohm) with the scatter's uncertainty, and how far apart the currents lay (A)."""

    ohm: float
    u_ohm: float
    apart_a: float

    def is_like(self, other: _Fit) -> bool:
        """Whether another slope differs by no more than its scatter and `SAME_PART`."""
        return abs(self.ohm - other.ohm) < 3.0 * other.u_ohm + SAME_PART * abs(self.ohm)


def _fit(points: _Points, value_u: float, degree: int) -> _Fit | None:
    """Weighted least squares with a source in each window that drifts as a polynomial does."""
    ohm = 0.1  # a start; the weight of a point depends a little on the slope itself
    for _ in range(4):
        weight = 1.0 / (value_u**2 + (ohm * points.current_u_a) ** 2)
        x, y, given_away = _without_drift(points, weight, degree)
        spread = float(np.sum(weight * x * x))
        if not spread > 0.0:
            return None
        ohm = -float(np.sum(weight * x * y)) / spread
    left = y + ohm * x
    free = max(len(left) - given_away - 1, 1)
    scatter = max(float(np.sum(weight * left * left)) / free, 1.0)
    apart_a = 2.0 * math.sqrt(spread / float(np.sum(weight)))
    if scatter > MISFIT:
        scatter *= _alike(left * np.sqrt(weight))
    return _Fit(ohm, math.sqrt(scatter / spread), apart_a)


def _alike(left: FloatArray) -> float:
    """Return by how much a variance grows since what is left is alike from point to point.

    The factor (1 + r)/(1 - r) of a process with correlation r between neighbours: any text on
    time series.
    """
    power = float(left @ left)
    r = float(left[1:] @ left[:-1]) / power if power > 0.0 else 0.0
    r = min(max(r, 0.0), ALIKE_MOST)
    return (1.0 + r) / (1.0 - r)


def _least_step_v(values_v: FloatArray) -> float:
    steps = np.diff(np.unique(values_v))
    steps = steps[(steps > 1e-6) & (steps < 1.01 * MOST_STEP_V)]
    return max(float(steps.min()), LEAST_STEP_V) if len(steps) else USUAL_STEP_V


def _without_drift(
    points: _Points, weight: FloatArray, degree: int
) -> tuple[FloatArray, FloatArray, int]:
    """Return current and value less their windows' polynomials in time, and how many terms."""
    x, y, terms = points.current_a.copy(), points.value.copy(), 0
    for window in np.unique(points.window):
        of = points.window == window
        time_s, root = points.time_s[of], np.sqrt(weight[of])
        span_s = max(float(np.ptp(time_s)), 1e-9)
        powers = np.vander((time_s - time_s.mean()) / span_s, degree + 1) * root[:, None]
        basis = np.linalg.qr(powers)[0]
        terms += basis.shape[1]
        for values in (x, y):
            whole = values[of] * root
            values[of] = (whole - basis @ (basis.T @ whole)) / root
    return x, y, terms
