"""Currents at rest: the sensor's zero with the feeds off, the unit's draw with the feed on."""

from __future__ import annotations

import math

import numpy as np

from rig.analysis.levels import level, level_u, thinned
from rig.analysis.measures import at_rest_a, current_u_a
from rig.analysis.model import Accuracy, Measure
from rig.analysis.signal import SETTLE_S, zero_moved_a
from rig.analysis.trace import CLIPPED, LOST, RESET, STUCK, BoolArray, FloatArray, Trace
from rig.quality.decision import COVERAGE

# Fewer readings than this are no measurement.
ENOUGH = 8


def readable(trace: Trace) -> BoolArray:
    """Return which samples hold a current that can be believed."""
    good: BoolArray = np.isfinite(trace.current_a)
    if trace.flags is not None:
        good &= (trace.flags & (CLIPPED | LOST | RESET | STUCK)) == 0
    return good


def zero_offset(trace: Trace) -> Measure:
    """Return ``zero_offset_a`` (A): what the sensor reads with the battery feed open."""
    off = ~np.asarray(trace.battery_feed, dtype=np.bool_)
    values = trace.current_a[readable(trace) & _settled(trace, off)]
    if len(values) < ENOUGH:
        return Measure("zero_offset_a", None, "A")
    zero_a, scatter_a = _mean_level(values)
    return Measure("zero_offset_a", zero_a, "A", COVERAGE * scatter_a)


def zero_moved(trace: Trace) -> float:
    """Return by how much (A) the sensor's zero moved between a recording's begin and end.

    0 if it did not, or if the battery feed was not open at both.
    """
    good = readable(trace)
    fed = np.asarray(trace.battery_feed, dtype=np.bool_)
    return zero_moved_a(trace.time_s[good], trace.current_a[good], fed[good])


def rest_draw(trace: Trace, accuracy: Accuracy, whole: Trace | None = None) -> Measure:
    """Return ``rest_draw_a`` (A): the settled current of a parked unit with the battery feed made.

    The later half of the last fed stretch counts, so that a unit that first drives home is
    measured at rest.  The sensor's zero is taken off if the trace, or ``whole``, the recording
    that it is a part of, shows it; by how much it moved there adds to the uncertainty.  Negative
    beyond the uncertainty it is no unit's current, and None.
    """
    fed = np.asarray(trace.battery_feed, dtype=np.bool_)
    where = np.flatnonzero(fed)
    if len(where) == 0:
        return Measure("rest_draw_a", None, "A")
    breaks = np.flatnonzero(np.diff(where) > 1)
    first = int(where[breaks[-1] + 1]) if len(breaks) else int(where[0])
    half = slice((first + int(where[-1]) + 1) // 2, int(where[-1]) + 1)
    values = trace.current_a[half][readable(trace)[half]]
    if len(values) < ENOUGH:
        return Measure("rest_draw_a", None, "A")
    rest_a, scatter_a = _mean_level(values)
    if whole is not None:
        scatter_a = math.hypot(scatter_a, zero_moved(whole))
    zero = zero_offset(trace)
    if zero.value is None and whole is not None:
        zero = zero_offset(whole)
    if zero.value is not None:
        rest_a -= zero.value
        scatter_a = math.hypot(scatter_a, (zero.u or 0.0) / COVERAGE)
    u_a = current_u_a(rest_a, accuracy, scatter_a)
    return Measure("rest_draw_a", at_rest_a(rest_a, u_a), "A", u_a)


def _settled(trace: Trace, state: BoolArray) -> BoolArray:
    """Return where ``state`` holds and has held for SETTLE_S."""
    if len(state) == 0:
        return state
    time_s = trace.time_s
    last_other = np.maximum.accumulate(np.where(state, -np.inf, time_s))
    settled: BoolArray = state & (time_s - last_other > SETTLE_S)
    return settled


def _mean_level(values: FloatArray) -> tuple[float, float]:
    """Return the median and the standard uncertainty that scatter leaves it with."""
    values = thinned(values, 4096)
    centre = level(values)
    return centre, level_u(values, centre)
