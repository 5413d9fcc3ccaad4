"""Stall current and winding resistance from a jam test."""

from __future__ import annotations

import math

import numpy as np

from rig.analysis.backemf import without_spikes
from rig.analysis.levels import MEDIAN_SCATTER, level, level_u, median3, noise
from rig.analysis.measures import RECTANGULAR, current_u_a
from rig.analysis.model import Accuracy, Measure
from rig.analysis.rest import readable, zero_offset
from rig.analysis.trace import FloatArray, Trace
from rig.quality.decision import COVERAGE

# Standing still: conductance within this part of its highest, for at least so long (s, samples).
# An inrush falls through that part within a few ms (the mechanical time constant of motors of
# this size is 2 to 30 ms by catalogue).
LEVEL, DWELL_S, SAMPLES = 0.12, 0.05, 4
# Against something soft a lever creeps to rest, or springs back and drives the current above that
# of standstill.  It stands from where a window (s) differs by less than this part: below all that
# comes after, above the next window, or above the last one and what it may have warmed by until
# then (1/s; guesses, a winding of ten times its weight in watts warms by 2 % in a second).
CREEP, WINDOW_S, WARMS_PER_S = 0.01, 0.025, 0.1
# Below this part of its highest the voltage is gone, not drawn down by a weak feed (guess).
GONE = 0.1
# A rotor thrown back draws more than V/R by at most this part of its highest (guess).
THROWN = 0.25
# Where the first and the second half of what is left differ by a rise, there may be so many times
# that to come, at k = 2 and with a rectangular distribution: exact for an exponential creep whose
# time constant is 2.9 times the stretch.
TO_COME = 5.0


def stall_and_winding(
    trace: Trace, accuracy: Accuracy, voltage_every: int = 10
) -> tuple[Measure, ...]:
    """Return ``stall_current_a`` (A) and ``winding_ohm`` (ohm) of a unit held still.

    The current is as drawn at the voltage the test had; the resistance is voltage over current
    where the rig measures, so brushes and leads are in it, at the temperature the winding had.
    Both are None if the trace does not show the motor standing still.  ``voltage_every``: with
    how many samples one voltage is read; the resistance is None if none was read at standstill.
    """
    nothing = (
        Measure("stall_current_a", None, "A"),
        Measure("winding_ohm", None, "ohm"),
    )
    good = readable(trace) & np.asarray(trace.battery_feed, dtype=np.bool_)
    good &= np.isfinite(trace.voltage_v)
    time_s = trace.time_s[good]
    voltage_v = np.asarray(trace.voltage_v[good], dtype=np.float64)
    current_a = np.asarray(trace.current_a[good], dtype=np.float64) - (
        zero_offset(trace).value or 0.0
    )
    fed = voltage_v > GONE * float(np.max(voltage_v, initial=0.0))
    time_s, voltage_v, current_a = time_s[fed], voltage_v[fed], current_a[fed]
    if len(time_s) < SAMPLES or not float(np.max(voltage_v, initial=0.0)) > 0.0:
        return nothing
    still = _standing(time_s, current_a / voltage_v)
    if still is None:
        return nothing
    return _measures(current_a[still], voltage_v[still], accuracy, voltage_every)


def _standing(time_s: FloatArray, conductance: FloatArray) -> slice | None:
    """Return the stretch at standstill; None if there is none that is long and level enough."""
    smooth = median3(without_spikes(conductance))
    top, earliest = float(smooth.max()), 0
    while top > 0.0:
        high = smooth > (1.0 - LEVEL) * float(smooth[earliest:].max())
        high[:earliest] = False
        change = np.flatnonzero(np.diff(np.concatenate(([False], high, [False])).astype(np.int8)))
        begins, ends = change[::2], change[1::2]
        longest = int(np.argmax(time_s[ends - 1] - time_s[begins]))
        first, last = int(begins[longest]), int(ends[longest])
        found = _level_part(time_s, conductance, first, last)
        # A hump after a run-up is a lever that springs back; what it comes to rest at is later.
        is_hump = time_s[first] - time_s[0] > DWELL_S
        if found is not None or not is_hump or last == len(smooth):
            return found
        if float(smooth[last:].max()) < (1.0 - THROWN) * top:
            return None
        earliest = last
    return None


def _level_part(time_s: FloatArray, conductance: FloatArray, first: int, last: int) -> slice | None:
    """Return the part of a stretch from which on it stays level, if that is long enough."""
    if last - first < SAMPLES or time_s[last - 1] - time_s[first] < DWELL_S:
        return None
    # The ends of the stretch may still rise or already fall.
    margin = 1 if last - first >= SAMPLES + 2 else 0
    first, last = first + margin, last - margin
    settled = _settled(time_s[first:last], conductance[first:last])
    return None if settled is None else slice(first + settled, last)


def _settled(time_s: FloatArray, conductance: FloatArray) -> int | None:
    """Return from which sample on the conductance holds its level; None if it never does."""
    # From sample to sample, or a drift would pass for noise.
    noise_u = noise(np.diff(conductance), 0.0) / math.sqrt(2.0)
    begin = 0
    while True:
        end = int(np.searchsorted(time_s, time_s[begin] + WINDOW_S))
        after = int(np.searchsorted(time_s, time_s[begin] + 2.0 * WINDOW_S))
        if end - begin < 2 or after - end < 2 or time_s[-1] - time_s[begin] < 2.5 * WINDOW_S:
            return None
        early, late = level(conductance[begin:end]), level(conductance[end:])
        following, final = level(conductance[end:after]), level(conductance[begin - end :])
        slack = CREEP * late + 3.0 * noise_u * MEDIAN_SCATTER / math.sqrt(end - begin)
        warmed = WARMS_PER_S * float(time_s[-1] - time_s[end]) * late
        if late - slack < early < min(following, final + warmed) + slack:
            return begin
        begin = end


def _measures(
    current_a: FloatArray, voltage_v: FloatArray, accuracy: Accuracy, voltage_every: int
) -> tuple[Measure, ...]:
    stall_a, stall_v = level(current_a), level(voltage_v)
    scatter_a = math.hypot(level_u(current_a, stall_a), _drift(current_a))
    stall = Measure("stall_current_a", stall_a, "A", current_u_a(stall_a, accuracy, scatter_a))
    # The voltages before may be of before it stood still.
    ohms = (voltage_v / current_a)[voltage_every:]
    if len(ohms) < SAMPLES:
        return stall, Measure("winding_ohm", None, "ohm")
    ohm = level(ohms)
    scatter_ohm = math.hypot(level_u(ohms, ohm), ohm**2 * _drift(1.0 / ohms))
    relative = math.hypot(
        accuracy.current_u_a(stall_a) / stall_a, accuracy.voltage_u_v(stall_v) / stall_v
    )
    return (
        stall,
        Measure("winding_ohm", ohm, "ohm", COVERAGE * math.hypot(relative * ohm, scatter_ohm)),
    )


def _drift(values: FloatArray) -> float:
    """Return the standard uncertainty that a drift of currents or conductances leaves.

    They fall by what the winding warms, and rise while the lever creeps, with more to come.
    """
    half = len(values) // 2
    rise = level(values[half:]) - level(values[:half])
    return RECTANGULAR * (TO_COME * rise if rise > 0.0 else -rise)
