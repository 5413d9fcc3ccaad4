"""The unit's own relay: coil, pull-in and drop-out voltage, times, contact."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from rig.analysis.copper import PER_K
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.levels import level, level_u, median3, running_mean
from rig.analysis.measures import RECTANGULAR
from rig.analysis.model import Accuracy, Direction, HalfTurn, Measure, Outcome, UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.rest import readable, zero_offset
from rig.analysis.trace import BoolArray, FloatArray, Trace
from rig.quality.decision import COVERAGE

# A relay's coil has its full current long before this after its feed is made (s): TE V23234 data
# sheet, operate time 7 ms typical, and the sensor is read every fifth sample at 200 Hz or more.
SETTLED_S = 0.1
# Motor current: more than this, or than this part of what the type draws at standstill (guess,
# as the bench's own watch over the motor has it).
FLOWS_A, FLOWS_OF_STALL, SMOOTH_S = 0.15, 0.03, 0.010
# So far may the voltage lie from what the supply was set to (V, and part of it; guess): more than
# leads lose to a coil's current, less than a feed that is gone.
APART_V, APART_PART = 0.3, 0.05
# The coil's sensor is read with every so-manieth sample at most, and its reading held in between.
HELD = 5
# Less is no coil: 12 V coils of 75 to 300 ohm draw 40 to 160 mA (typical data sheet values).
COIL_LEAST_A = 0.01
# Last digit of an INA219 board with its own 0.1 ohm shunt, A: 10 uV (data sheet SBOS448).
COIL_DIGIT_A = 1e-4
# A winding warms by less than this between a few half-turns and a few more, K (guess: an LM-12's
# start and half-turn bring some 20 J into some 30 J/K).
WARMED_K = 5.0
# Readings of the voltage that a level at rest needs.
READINGS = 3


@dataclass(frozen=True, slots=True)
class Stretch:
    """A trial at the supply's ``set_v`` (V), from ``from_s`` to ``to_s`` on the trace's axis (s).

    Of ``pull_in``: battery feed made, then the ignition feed.  Of drop-out (not ``pull_in``):
    ignition feed made throughout, the battery feed made for a look.
    """

    pull_in: bool
    set_v: float
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of a trial: the voltage (V) at rest, and whether motor current flowed."""

    volts: float
    flowed: bool


# --- coil -------------------------------------------------------------------------------------


def coil_a(trace: Trace, coil_accuracy: Accuracy | None) -> Measure | None:
    """Return ``relay_coil_a`` (A): the coil's settled current; None without a sensor for it."""
    current_a = trace.extra.get("ignition_current_a")
    if current_a is None or coil_accuracy is None:
        return None
    seen = current_a[coil_settled(trace) & np.isfinite(current_a)]
    if not len(seen):
        return None
    value_a = float(np.median(seen))
    return Measure("relay_coil_a", value_a, "A", COVERAGE * coil_accuracy.current_u_a(value_a))


def coil_ohm(trace: Trace, coil_accuracy: Accuracy | None, accuracy: Accuracy) -> Measure:
    """Return ``relay_coil_ohm``: the coil with its feed, at the temperature it has.

    Voltage at rest over the coil's current while the unit is parked.  Copper: 0.39 % a kelvin, so
    that a coil that was fed for long reads higher; `winding.at_20c` reduces it.  What the sensor
    reads with the ignition feed open is taken off.  The value is None without such a sensor, or if
    no current flows.
    """
    current_a = trace.extra.get("ignition_current_a")
    if current_a is None or coil_accuracy is None:
        return Measure("relay_coil_ohm", None, "ohm")
    parked = coil_settled(trace) & np.asarray(trace.battery_feed, dtype=np.bool_)
    parked &= np.isfinite(current_a) & np.isfinite(trace.voltage_v) & readable(trace)
    if parked.any():
        least_a = float(np.min(trace.current_a[parked]))
        parked &= trace.current_a < least_a + 2.0 * FLOWS_A
    zero_a, offset_u_a = _coil_zero(trace, current_a, coil_accuracy)
    coil, volts = current_a[parked][::HELD] - zero_a, trace.voltage_v[parked]
    if len(coil) < READINGS or not float(np.median(coil)) > COIL_LEAST_A:
        return Measure("relay_coil_ohm", None, "ohm")
    amps, rest_v = level(coil), level(volts)
    u_rel = math.hypot(
        coil_accuracy.gain_u_rel,
        math.hypot(offset_u_a, level_u(coil, amps)) / amps,
        accuracy.voltage_u_v(rest_v) / rest_v,
    )
    return Measure("relay_coil_ohm", rest_v / amps, "ohm", COVERAGE * u_rel * rest_v / amps)


def _coil_zero(trace: Trace, current_a: FloatArray, coil_accuracy: Accuracy) -> tuple[float, float]:
    """Return what the coil's sensor reads with its feed open (A), and how far that may be off."""
    made = np.asarray(trace.ignition_feed, dtype=np.bool_)
    last_made_s = np.maximum.accumulate(np.where(made, trace.time_s, -np.inf))
    quiet = ~made & (trace.time_s - last_made_s > SETTLED_S) & np.isfinite(current_a)
    off = current_a[quiet][::HELD]
    if len(off) < 2 * READINGS:
        return 0.0, coil_accuracy.offset_u_a
    zero_a = level(off)
    own_u_a = max(level_u(off, zero_a), COIL_DIGIT_A)
    return zero_a, math.hypot(own_u_a, coil_accuracy.fed_zero_u_a)


def coil_settled(trace: Trace) -> BoolArray:
    """Return where the ignition feed is made and the coil has its full current.

    What was before the trace is not known: a feed that it begins with counts as made just then.
    """
    made = np.asarray(trace.ignition_feed, dtype=np.bool_)
    was_made = np.concatenate(([False], made))[:-1]
    began_s = np.where(made & ~was_made, trace.time_s, -np.inf)
    there: BoolArray = made & (trace.time_s - np.maximum.accumulate(began_s) > SETTLED_S)
    return there


# --- times ------------------------------------------------------------------------------------


def times(turns: Iterable[HalfTurn], accuracy: Accuracy, step_s: float) -> list[Measure]:
    """Return ``relay_operate_s`` and ``relay_release_s``: ignition contact to motor current.

    The median over half-turns that parked: to run the relay operates, to stop it releases.
    ``step_s`` is the sample interval.  The rig's own relay delay is taken off and is most of the
    uncertainty.
    """
    turns = tuple(turns)
    u_s = COVERAGE * math.hypot(accuracy.time_u_s(0.0), RECTANGULAR * 0.5 * step_s)
    found = []
    for name, way in (
        ("relay_operate_s", Direction.TO_RUN),
        ("relay_release_s", Direction.TO_STOP),
    ):
        seen = [
            turn.response_s
            for turn in turns
            if turn.direction is way
            and turn.outcome in (Outcome.PARKED, Outcome.SLOW)
            and turn.response_s is not None
        ]
        value_s = median(seen) if seen else None
        found.append(Measure(name, value_s, "s", None if value_s is None else u_s))
    return found


# --- pull-in and drop-out ---------------------------------------------------------------------


def trials(trace: Trace, stretches: Sequence[Stretch], unit: UnitType) -> list[Trial | None]:
    """Return what came of each stretch; None where the feed had not the voltage it was set to.

    The voltage is read at rest.  A relay that lets go leaves no time for that: then what the
    supply gave more or less than set in the other stretches is taken over.
    """
    zero_a = zero_offset(trace).value or 0.0
    seen = [_seen(trace.between(s.from_s, s.to_s), s, unit, zero_a) for s in stretches]
    offs = [volts - s.set_v for s, (volts, _) in zip(stretches, seen, strict=True) if volts]
    off_v = median(offs) if offs else 0.0
    found: list[Trial | None] = []
    for stretch, (volts, flowed) in zip(stretches, seen, strict=True):
        at_v = stretch.set_v + off_v if volts is None else volts
        apart = abs(at_v - stretch.set_v) > APART_V + APART_PART * stretch.set_v
        unseen = volts is None and not flowed
        found.append(None if apart or unseen else Trial(at_v, flowed))
    return found


def _seen(
    trace: Trace, stretch: Stretch, unit: UnitType, zero_a: float
) -> tuple[float | None, bool]:
    """Return the voltage at rest (V, None if it was not read) and whether motor current flowed."""
    battery = np.asarray(trace.battery_feed, dtype=np.bool_)
    ignition = np.asarray(trace.ignition_feed, dtype=np.bool_)
    good = readable(trace) & battery
    amps = np.where(good, trace.current_a - zero_a, 0.0)
    least_a = max(FLOWS_A, FLOWS_OF_STALL * stretch.set_v / unit.winding_ohm)
    # Smoothed as long as the bench's own watch does: long against noise, short against a start.
    step_s = float(np.median(np.diff(trace.time_s))) if len(trace) > 1 else SMOOTH_S
    smooth_a = running_mean(median3(amps), max(round(SMOOTH_S / step_s), 1))
    flows = good & ignition & (smooth_a > least_a)
    flowed = int(np.count_nonzero(flows)) >= READINGS
    at_rest = good & (~ignition if stretch.pull_in else ignition)
    # Much less than was set is what was read last, with the feed open, or a feed that is gone.
    at_rest &= np.isfinite(trace.voltage_v) & (trace.voltage_v > 0.5 * stretch.set_v)
    if flowed:
        at_rest &= trace.time_s < trace.time_s[int(np.argmax(flows))]
    rest_v = _last_level(trace.voltage_v[at_rest])
    return rest_v, flowed


def _last_level(volts: FloatArray) -> float | None:
    """Return the level of the later half: the first readings are of before the feed was made."""
    later = volts[len(volts) // 2 :]
    if len(later) < READINGS:
        return None
    value = level(later)
    # Still changing: the voltage was not read anew yet.
    return value if abs(level(later[-READINGS:]) - value) < APART_V else None


def pull_in_v(found: Sequence[Trial | None], accuracy: Accuracy) -> Measure:
    """Return ``relay_pull_in_v`` (V): between the highest trial without an answer and the next.

    Rising trials; each is a fresh make of the ignition feed, with the coil as cold as it was.
    """
    held = [t.volts for t in found if t is not None and not t.flowed]
    answered = [t.volts for t in found if t is not None and t.flowed]
    return _between(
        "relay_pull_in_v", max(held, default=0.0), min(answered, default=None), accuracy
    )


def drop_out_v(found: Sequence[Trial | None], accuracy: Accuracy) -> Measure:
    """Return ``relay_drop_out_v`` (V): between the highest trial at which it let go and the next.

    Falling trials, the coil fed all the while; 0 V counts as let go.
    """
    let_go = [t.volts for t in found if t is not None and t.flowed]
    held = [t.volts for t in found if t is not None and not t.flowed]
    return _between("relay_drop_out_v", max(let_go, default=0.0), min(held, default=None), accuracy)


def _between(name: str, low_v: float, high_v: float | None, accuracy: Accuracy) -> Measure:
    """Return the middle: the true value lies anywhere in between (rectangular)."""
    if high_v is None or high_v < low_v:
        return Measure(name, None, "V")
    value_v = 0.5 * (low_v + high_v)
    u_v = math.hypot(RECTANGULAR * 0.5 * (high_v - low_v), accuracy.voltage_u_v(value_v))
    return Measure(name, value_v, "V", COVERAGE * u_v)


# --- contact ----------------------------------------------------------------------------------


def extra_contact_ohm(own: MotorIdentity, good: MotorIdentity) -> Estimate:
    """Return by how much (ohm) the unit's own relay adds to the motor's circuit.

    Its circuit with its own relay less that with the rig's known good one, at 20 degrees Celsius
    if both are known so; else as they were, with a winding that may have warmed by `WARMED_K` in
    between.  A sound contact loses 15 mV, at most 200 mV, at 10 A (TE V23234 data sheet): 1.5 to
    20 mohm.  A negative value is doubt, or a known good relay that is not good.
    """
    mine, theirs, warmed_k = own.circuit_20c_ohm, good.circuit_20c_ohm, 0.0
    if not (mine.known and theirs.known):
        mine, theirs, warmed_k = own.circuit_ohm, good.circuit_ohm, WARMED_K
    for which, estimate in (("own", mine), ("known good", theirs)):
        if not estimate.known:
            why = estimate.missing or "it was not identified"
            return unknown("ohm", f"the circuit with the {which} relay is not known: {why}")
    assert mine.value is not None
    assert theirs.value is not None
    warmed_ohm = RECTANGULAR * PER_K * warmed_k * theirs.value
    u_ohm = math.hypot(mine.u or 0.0, theirs.u or 0.0, warmed_ohm)
    return Estimate(mine.value - theirs.value, u_ohm, "ohm")
