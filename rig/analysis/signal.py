"""A trace made ready: lost samples dropped, the sensor's zero taken off, clipping marked."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.analysis.levels import MAD_TO_SIGMA, level, level_u, noise, thinned
from rig.analysis.model import Accuracy, UnitType
from rig.analysis.trace import CLIPPED, LOST, RESET, STUCK, BoolArray, FloatArray, Trace

# With the battery feed open no current can flow, so what is read then is the sensor's zero.  More
# than this part of the stall current is no zero error but current, or a sensor gone wrong (guess).
ZERO_MOST = 0.05
ZERO_SAMPLES = 8
# A zero has moved if it did by so many standard uncertainties.
MOVED_SIGMAS = 4.0
# Contacts have opened, arcs are out and currents have settled so long after a feed change (s).
SETTLE_S = 0.020
# The last digit of a usable sensor is at most this part of an inrush (guess).
DIGIT_MOST = 0.005
# So many equal codes at the very top, left downhill, are the end of the range (guess).
CLIP_RUN = 3


@dataclass(frozen=True, slots=True)
class Signal:
    """The valid samples of a trace.

    ``row`` gives each sample's row in the trace (None if all rows are valid).  ``current_a`` has
    ``zero_a`` taken off, known to within ``zero_u_a`` (standard) by noise and by what it moved;
    ``zero_moved_a`` is by how much it lay elsewhere at the end.  ``has_voltage`` is false where
    the voltage of a sample was not recorded (``voltage_v`` is then a neighbour's).  ``fed`` is the
    battery feed.  ``stuck_zero`` tells of current where none can flow; ``noise_a`` is the usual
    noise, ``quantum_a`` the last digit.
    """

    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray
    has_voltage: BoolArray | None
    clipped: BoolArray | None
    fed: BoolArray
    row: NDArray[np.intp] | None
    step_s: float
    zero_a: float
    zero_is_known: bool
    zero_u_a: float
    zero_moved_a: float
    stuck_zero: bool
    noise_a: float
    quantum_a: float

    def at_row(self, row: int) -> int:
        """Return the first sample at or after a row of the trace."""
        return row if self.row is None else int(np.searchsorted(self.row, row))

    def __len__(self) -> int:
        return len(self.time_s)


def make_signal(trace: Trace, unit: UnitType, accuracy: Accuracy) -> Signal:
    """Clean a trace once for everything that is found in it."""
    time_s = np.asarray(trace.time_s, dtype=np.float64)
    current_a = np.asarray(trace.current_a, dtype=np.float64)
    voltage_v = np.asarray(trace.voltage_v, dtype=np.float64)
    fed = np.asarray(trace.battery_feed, dtype=np.bool_)
    flags = trace.flags
    good = np.isfinite(current_a)
    if flags is not None:
        good &= (flags & (LOST | RESET | STUCK)) == 0
    row: NDArray[np.intp] | None = None
    if not good.all():
        row = np.flatnonzero(good)
        time_s, current_a, voltage_v, fed = (
            time_s[row],
            current_a[row],
            voltage_v[row],
            fed[row],
        )
        flags = None if flags is None else flags[row]
    voltage_v, has_voltage = _filled(time_s, voltage_v)
    zero_a, is_known, is_stuck, noise_a, zero_u_a = _zero(current_a, fed, unit)
    moved_a = max(zero_moved_a(time_s, current_a, fed), accuracy.zero_moved_a)
    return Signal(
        time_s=time_s,
        current_a=current_a - zero_a if zero_a else current_a,
        voltage_v=voltage_v,
        has_voltage=has_voltage,
        clipped=_clipped(current_a, flags, accuracy.full_scale_a),
        fed=fed,
        row=row,
        step_s=_usual_step_s(time_s),
        zero_a=zero_a,
        zero_is_known=is_known,
        zero_u_a=math.hypot(zero_u_a, moved_a, 0.0 if is_known else accuracy.unzeroed_u_a),
        zero_moved_a=moved_a,
        stuck_zero=is_stuck,
        noise_a=noise_a if is_known else _usual_noise_a(current_a),
        quantum_a=_quantum(current_a),
    )


def _usual_step_s(time_s: FloatArray) -> float:
    if len(time_s) < 2:
        return 0.0
    return level(np.diff(time_s[: 1 << 14]))


def _usual_noise_a(current_a: FloatArray) -> float:
    """Return the noise from sample to sample (A): of most samples, and most are at rest."""
    if len(current_a) < 2:
        return 0.0
    current_a = current_a[: 1 << 14]
    # Read faster than it converts, a sensor repeats itself: every second sample is another.
    steps = level(np.abs(np.diff(current_a))), level(np.abs(current_a[2:] - current_a[:-2]))
    return MAD_TO_SIGMA * float(np.nanmax(steps)) / float(np.sqrt(2.0))


def _quantum(current_a: FloatArray) -> float:
    """Return the smallest step between neighbours: the sensor's last digit, or less."""
    steps = np.abs(np.diff(current_a[: 1 << 14]))
    steps = steps[steps > 1e-9]
    # In few samples that all differ much the smallest step need not be a digit.
    return min(float(steps.min()), DIGIT_MOST * float(steps.max())) if len(steps) else 0.0


def _filled(time_s: FloatArray, voltage_v: FloatArray) -> tuple[FloatArray, BoolArray | None]:
    """Fill gaps in the voltage by straight lines; say where it was there."""
    there = np.isfinite(voltage_v)
    if there.all():
        return voltage_v, None
    if not there.any():
        return np.zeros(len(voltage_v)), there
    return np.interp(time_s, time_s[there], voltage_v[there]), there


def _zero(
    current_a: FloatArray, fed: BoolArray, unit: UnitType
) -> tuple[float, bool, bool, float, float]:
    """Return the sensor's zero with the battery feed open: level, whether it is known, whether it
    is none, its noise and the standard uncertainty that noise leaves it with.
    """
    stride = max(1, len(fed) // (1 << 16))
    off = np.asarray(current_a[::stride][~fed[::stride]])
    if len(off) < ZERO_SAMPLES and stride > 1:
        off = current_a[~fed]
    if len(off) < ZERO_SAMPLES:
        return 0.0, False, False, 0.0, 0.0
    off = thinned(off, 4096)
    zero_a = level(off)
    noise_a = noise(off, zero_a)
    if abs(zero_a) > ZERO_MOST * unit.nominal_v / unit.winding_ohm:
        return 0.0, False, True, noise_a, 0.0
    return zero_a, True, False, noise_a, level_u(off, zero_a)


def zero_moved_a(time_s: FloatArray, current_a: FloatArray, fed: BoolArray) -> float:
    """Return by how much (A) the zero after the last feed differs from that before the first.

    0 if it does not by more than noise and last digit, or if the trace does not show both.
    """
    where = np.flatnonzero(fed)
    if len(where) == 0:
        return 0.0
    before = current_a[: where[0]]
    settled = np.searchsorted(time_s, time_s[where[-1]] + SETTLE_S, side="right")
    after = current_a[settled:]
    if min(len(before), len(after)) < ZERO_SAMPLES:
        return 0.0
    levels = level(before), level(after)
    moved_a = abs(levels[1] - levels[0])
    scatter_a = float(np.hypot(level_u(before, levels[0]), level_u(after, levels[1])))
    digit_a = _quantum(np.concatenate((before, after)))
    return moved_a if moved_a > MOVED_SIGMAS * scatter_a + digit_a else 0.0


def _clipped(current_a: FloatArray, flags: object, full_scale_a: float | None) -> BoolArray | None:
    """Return which samples stand at the end of the range; None if none does."""
    if flags is not None:
        marked = (np.asarray(flags) & CLIPPED) != 0
        return marked if marked.any() else None
    if len(current_a) == 0:
        return None
    if full_scale_a is not None:
        marked = np.abs(current_a) >= 0.9995 * full_scale_a
        return marked if marked.any() else None
    return _clipped_by_shape(current_a)


def _clipped_by_shape(current_a: FloatArray) -> BoolArray | None:
    """Find clipping nobody marked: the top code several times running, then a fall from it.

    A motor at standstill also shows one code for long, but it is left by the feed being cut, which
    falls to nothing; an inrush that was clipped goes on falling through the middle.
    """
    top = float(current_a.max())
    at_top = current_a == top
    where = np.flatnonzero(at_top)
    if len(where) < CLIP_RUN or top <= 0.0:
        return None
    breaks = np.flatnonzero(np.diff(where) > 1)
    ends = np.concatenate((where[breaks], where[-1:]))
    begins = np.concatenate((where[:1], where[breaks + 1]))
    after = current_a[np.minimum(ends + 1, len(current_a) - 1)]
    is_clip = (ends - begins + 1 >= CLIP_RUN) & (after < 0.98 * top) & (after > 0.5 * top)
    return at_top if bool(is_clip.any()) else None
