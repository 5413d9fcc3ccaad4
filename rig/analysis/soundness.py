"""Whether rig and sensor were sound while a step was recorded, from its trace alone.

A sensor may go wrong in the middle of a step without a word: its zero moves, it becomes noisy, the
voltage is no longer there.  What such a step shows must neither fail nor pass a unit.  The signs
looked for here are those that no unit can give.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.levels import level, noise
from rig.analysis.model import UnitType
from rig.analysis.outcomes import GONE_OF_NOMINAL
from rig.analysis.rest import readable
from rig.analysis.signal import SETTLE_S
from rig.analysis.trace import CLIPPED, BoolArray, FloatArray, Trace

# With the feed open nothing flows: the zero is looked at in pieces of this length (s), each of
# some samples.  It must not move by more than two readings may differ by the expanded offset
# uncertainty that a rig file usually declares (0.01 A), nor by more than its own scatter.
PIECE_S, PIECE_LEAST = 0.1, 8
ZERO_MOVED_A, SCATTERS = 0.02, 6.0
# Noise that comes up is unlike anything a unit does: in a row of samples several lie above what
# their neighbours say, and several below.  A brush that opens shows below only; a bounce is over
# within two or three samples.  (Guesses, tried on every fault of the simulated bench.)
NOISY_ROW, NOISY_EACH_WAY, NOISY_EVEN = 16, 3, 0.4
NOISY_OF_ZERO, NOISY_LEAST_A, NOISY_OF_CURRENT = 5.0, 0.05, 0.15
NOISY_OF_STALL = 0.03  # of what the type draws at standstill: noise no unit is judged in
# A feed that was changed bounces and a motor starts within this (s).
UPSET_S = 0.04
# Less voltage than this part of what a motor at standstill leaves: it is not read at all.
UNREAL = 0.1
FLOWS_A = 0.5
# A feed counts as open below this part of its own voltage at rest.
OPEN_OF_REST = 0.9


@dataclass(frozen=True, slots=True)
class AtRest:
    """What a sensor reads with the feed open: its zero (A) and a reading's scatter (A)."""

    zero_a: float
    noise_a: float


def at_rest(trace: Trace) -> AtRest | None:
    """Return what the sensor reads with the feed open, None if the trace does not show it."""
    off = trace.current_a[readable(trace) & ~np.asarray(trace.battery_feed, dtype=np.bool_)]
    if len(off) < PIECE_LEAST:
        return None
    zero_a = level(off)
    return AtRest(zero_a, noise(off, zero_a))


def rig_trouble(
    trace: Trace,
    unit: UnitType,
    voltage_every: int = 10,
    known: AtRest | None = None,
    lowest_v: float | None = None,
) -> str:
    """Return what the trace shows to have been wrong with the rig, a sentence; empty if nothing.

    ``voltage_every``: the voltage is read with every so-manieth sample.  ``known`` is what the
    sensor read at rest before, None if nothing is known; ``lowest_v`` is what the supply was set
    down to (V), None if it was left alone.
    """
    least_v = unit.nominal_v if lowest_v is None else min(lowest_v, unit.nominal_v)
    good = readable(trace)
    time_s, current_a = trace.time_s[good], trace.current_a[good]
    voltage_v, fed = trace.voltage_v[good], np.asarray(trace.battery_feed[good], dtype=np.bool_)
    if len(time_s) < PIECE_LEAST:
        return ""
    since_s = _since_change_s(time_s, fed, np.asarray(trace.ignition_feed[good], dtype=np.bool_))
    zero, noise_a, moved = _zero(time_s, current_a, ~fed & (since_s > SETTLE_S), known)
    return (
        moved
        or _drowned(noise_a, unit)
        or _noisy(current_a - zero, noise_a, since_s > UPSET_S)
        or _voltage(time_s, current_a - zero, voltage_v, fed, since_s, unit, voltage_every, least_v)
    )


def clipping(trace: Trace) -> str:
    """Return what is said of readings at the end of the sensor's range; empty if there are none.

    What was measured apart from them stands.
    """
    if trace.flags is None:
        return ""
    clipped = (trace.flags & CLIPPED) != 0
    if not clipped.any():
        return ""
    return (
        f"The current sensor stood at the end of its range in {int(clipped.sum())} readings, so "
        "how much flowed then is not known. Check its leads; if they are sound, fit a smaller "
        "shunt. Then test again."
    )


def _since_change_s(time_s: FloatArray, fed: BoolArray, ignition: BoolArray) -> FloatArray:
    """Return for each sample how long ago a feed was changed (s)."""
    changed = np.zeros(len(fed), dtype=np.bool_)
    changed[1:] = (fed[1:] != fed[:-1]) | (ignition[1:] != ignition[:-1])
    last_s: FloatArray = np.maximum.accumulate(np.where(changed, time_s, -np.inf))
    since_s: FloatArray = time_s - last_s
    return since_s


def _zero(
    time_s: FloatArray, current_a: FloatArray, off: BoolArray, known: AtRest | None
) -> tuple[float, float, str]:
    """Return the zero (A), its noise (A), and what is to be said if it moved."""
    levels = [] if known is None else [known.zero_a]
    noises = [] if known is None else [known.noise_a]
    scatters = [0.0] * len(levels)
    where = np.flatnonzero(off)
    if len(where) < PIECE_LEAST:
        return (0.0, 0.0, "") if known is None else (known.zero_a, known.noise_a, "")
    # A new piece where the feed was made in between, and after each PIECE_S.
    stretch = np.cumsum(np.concatenate(([0], (np.diff(where) > 1).astype(np.int64))))
    begins = np.concatenate(([0], np.flatnonzero(np.diff(stretch)) + 1))
    begun_s = time_s[where[begins]][stretch]
    number = stretch * 1_000_000 + ((time_s[where] - begun_s) / PIECE_S).astype(np.int64)
    for piece in np.split(where, np.flatnonzero(np.diff(number)) + 1):
        if len(piece) < PIECE_LEAST:
            continue
        values = current_a[piece]
        levels.append(level(values))
        noises.append(noise(values, levels[-1]))
        scatters.append(1.25 * noises[-1] / np.sqrt(len(values)))
    if not noises:
        return 0.0, 0.0, ""
    low, high = int(np.argmin(levels)), int(np.argmax(levels))
    apart_a = levels[high] - levels[low]
    allowed_a = max(ZERO_MOVED_A, SCATTERS * float(np.hypot(scatters[low], scatters[high])))
    moved = ""
    if apart_a > allowed_a:
        moved = (
            f"The current sensor's zero moved by {apart_a:.2f} A with the feed open, so its "
            "readings are not to be believed. Check its leads, its shunt and its 3.3 V."
        )
    return level(np.asarray(levels)), float(np.min(noises)), moved


def _drowned(noise_a: float, unit: UnitType) -> str:
    """Say if the sensor is too noisy at rest, all the time, for a unit to be judged by it."""
    if noise_a <= NOISY_OF_STALL * unit.nominal_v / unit.winding_ohm:
        return ""
    return (
        f"The current sensor's readings scatter by {noise_a:.2f} A with the feed open: too much to "
        "judge a unit by. Look for a loose sense lead or something that disturbs it."
    )


def _noisy(current_a: FloatArray, noise_a: float, settled: BoolArray) -> str:
    """Say if the readings scatter as no unit's current can."""
    count = len(current_a)
    if count < NOISY_ROW + 4:
        return ""
    around = np.stack([current_a[k : count - 4 + k] for k in range(5)])
    middle = np.partition(around, 2, axis=0)[2]
    off = current_a[2:-2] - middle
    most = np.maximum(NOISY_OF_ZERO * noise_a, NOISY_LEAST_A) + NOISY_OF_CURRENT * np.abs(middle)
    counts = settled[2:-2]
    up, up_a = _in_a_row(np.where((off > most) & counts, off, 0.0))
    down, down_a = _in_a_row(np.where((off < -most) & counts, -off, 0.0))
    # On average as far up as down, nearly: what comes back after a gap overshoots less.
    even = up_a * down >= NOISY_EVEN * down_a * up
    found = np.flatnonzero((up >= NOISY_EACH_WAY) & (down >= NOISY_EACH_WAY) & even)
    if not len(found):
        return ""
    worst = float(np.max(np.abs(off[found[0] : found[0] + NOISY_ROW])))
    return (
        f"The current sensor's readings jumped up and down by as much as {worst:.1f} A, as no "
        "unit's current does. Look for a loose sense lead or something that disturbs it."
    )


def _in_a_row(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how many are above nothing, and their sum, in each row of `NOISY_ROW` samples."""
    totals = []
    for each in (values > 0.0, values):
        total = np.concatenate(([0.0], np.cumsum(each, dtype=np.float64)))
        totals.append(total[NOISY_ROW:] - total[:-NOISY_ROW])
    return totals[0], totals[1]


def _voltage(
    time_s: FloatArray,
    current_a: FloatArray,
    voltage_v: FloatArray,
    fed: BoolArray,
    since_s: FloatArray,
    unit: UnitType,
    voltage_every: int,
    least_v: float,
) -> str:
    """Say if the voltage was not read, or went with the feed made."""
    late = voltage_every + 2  # samples after which the voltage has been read anew
    known = np.isfinite(voltage_v)
    settled = fed & (since_s > UPSET_S) & known
    unreal = settled & (current_a > FLOWS_A)
    unreal &= voltage_v < UNREAL * unit.winding_ohm * current_a
    length = _longest(unreal)
    if length > late:
        amps = level(current_a[unreal])
        return (
            f"The voltage was read as {level(voltage_v[unreal]):.1f} V while {amps:.1f} A flowed: "
            "the sensor does not see the feed. Check the lead to its voltage input."
        )
    idle = settled & (np.abs(current_a) < FLOWS_A)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], fed.astype(np.int8), [0]))))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        at_rest = np.flatnonzero(idle[first:end]) + first
        if len(at_rest) <= late:
            continue
        rest_v = level(voltage_v[at_rest])
        gone = np.zeros(end - first, dtype=np.bool_)
        gone[at_rest - first] = voltage_v[at_rest] < OPEN_OF_REST * rest_v
        if rest_v < GONE_OF_NOMINAL * least_v:
            gone[:] = idle[first:end]
        if _longest(gone) > late:
            gone_v = float(voltage_v[first:end][gone].min())
            return (
                f"There was no voltage at the unit (down to {gone_v:.1f} V) although its feed "
                "was made. Check the fuse, the supply and the feed relay."
            )
    return ""


def _longest(marked: BoolArray) -> int:
    """Return the length of the longest run of marked samples."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], marked.astype(np.int8), [0]))))
    return int(np.max(edges[1::2] - edges[::2], initial=0))
