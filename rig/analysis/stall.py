"""Stall current and winding resistance from a jam test."""

from __future__ import annotations

import math

import numpy as np

from rig.analysis.backemf import without_spikes
from rig.analysis.levels import level, median3, noise
from rig.analysis.measures import RECTANGULAR, current_u_a
from rig.analysis.model import Accuracy, Measure
from rig.analysis.rest import readable, zero_offset
from rig.analysis.trace import FloatArray, Trace
from rig.quality.decision import COVERAGE

# Standing still: conductance within this part of its highest, for at least so long (s, samples).
# An inrush falls through that part within a few ms (the mechanical time constant of motors of
# this size is 2 to 30 ms by catalogue).
LEVEL, DWELL_S, SAMPLES = 0.12, 0.05, 4


def stall_and_winding(trace: Trace, accuracy: Accuracy) -> tuple[Measure, ...]:
    """Return ``stall_current_a`` (A) and ``winding_ohm`` (ohm) of a unit held still.

    The current is as drawn at the voltage the test had; the resistance is voltage over current
    where the rig measures, so brushes and leads are in it, at the temperature the winding had.
    Both are None if the trace does not show the motor standing still.
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
    fed = voltage_v > 0.5 * float(np.max(voltage_v, initial=0.0)) - 1e-9
    time_s, voltage_v, current_a = time_s[fed], voltage_v[fed], current_a[fed]
    if len(time_s) < SAMPLES or not float(np.max(voltage_v, initial=0.0)) > 0.0:
        return nothing
    still = _standing(time_s, current_a / voltage_v)
    if still is None:
        return nothing
    return _measures(current_a[still], voltage_v[still], accuracy)


def _standing(time_s: FloatArray, conductance: FloatArray) -> slice | None:
    """Return the last stretch at the highest conductance; None if it is too short to be a stall."""
    smooth = median3(without_spikes(conductance))
    top = float(smooth.max())
    if not top > 0.0:
        return None
    high = smooth > (1.0 - LEVEL) * top
    change = np.flatnonzero(np.diff(np.concatenate(([False], high, [False])).astype(np.int8)))
    begins, ends = change[::2], change[1::2]
    longest = int(np.argmax(time_s[ends - 1] - time_s[begins]))
    first, last = int(begins[longest]), int(ends[longest])
    if last - first < SAMPLES or time_s[last - 1] - time_s[first] < DWELL_S:
        return None
    # The ends of the stretch may still rise or already fall.
    margin = 1 if last - first >= SAMPLES + 2 else 0
    return slice(first + margin, last - margin)


def _measures(
    current_a: FloatArray, voltage_v: FloatArray, accuracy: Accuracy
) -> tuple[Measure, ...]:
    stall_a, stall_v = level(current_a), level(voltage_v)
    ohms = voltage_v / current_a
    ohm = level(ohms)
    count = math.sqrt(len(current_a))
    half = len(current_a) // 2
    # The winding warms while it is held: early and late half differ by what it drifted.
    drift_a = RECTANGULAR * abs(level(current_a[half:]) - level(current_a[:half]))
    drift_ohm = RECTANGULAR * abs(level(ohms[half:]) - level(ohms[:half]))
    scatter_a = math.hypot(1.25 * noise(current_a, stall_a) / count, drift_a)
    scatter_ohm = math.hypot(1.25 * noise(ohms, ohm) / count, drift_ohm)
    relative = math.hypot(
        accuracy.current_u_a(stall_a) / stall_a, accuracy.voltage_u_v(stall_v) / stall_v
    )
    return (
        Measure("stall_current_a", stall_a, "A", current_u_a(stall_a, accuracy, scatter_a)),
        Measure("winding_ohm", ohm, "ohm", COVERAGE * math.hypot(relative * ohm, scatter_ohm)),
    )
