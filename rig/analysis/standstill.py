"""Whether a motor that draws current stands still.

At standstill the current is V/R and stays there; a turning motor draws less, by its back-EMF.  How
much V/R is, the trace itself tells: no current in it can be larger, and every start from rest goes
through it.  The plan's winding resistance is only asked where the trace is silent, because a unit
may differ from it (another winding, a bad joint in series).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.analysis.backemf import INRUSH_SEEN_S, Electric, early_samples
from rig.analysis.drive import Drive
from rig.analysis.levels import level, median3, running_mean
from rig.analysis.model import Limits, UnitType
from rig.analysis.signal import Signal
from rig.analysis.trace import FloatArray

# A jam shorter than this (s) is not called a stall, unless the plan's own stall time is shorter.
DWELL_S = 0.12
# Level over the dwell to this part (copper that heats by a few kelvin and a sagging battery stay
# within it).
LEVEL = 0.08
# Noise, in standard deviations, that the highest of the first samples may hold.
NOISE_IN_PEAK = 3.0
# Copper 150 K hotter conducts this part of what it did cold (0.39 % a kelvin).
HOT = 0.63
# Half-way through, a heating winding still has this part of its fall before it.
GOES_ON = 0.25
# What an inrush, or a dip while the motor turned, differs from standstill at least.
DIP = 0.025
# Conductance in terms of the plan's 1/R: below the first it is leakage, not a motor at standstill;
# above the second it is standstill for the plan's own unit.
LEAST_OF_PLAN, SURE_OF_PLAN = 0.12, 0.6


class Bars(NamedTuple):
    """How high a level must be to count as standstill, in parts of what the inrush shows.

    At least ``peak`` of its peak; and ``start`` of that followed back to rest, or ``over_peak`` of
    the peak and ``least`` of that followed back.
    """

    peak: float
    start: float
    over_peak: float
    least: float


# On simulated motors of time constants 5 to 50 ms, 200 Hz to 2 kHz, an inrush peaks at 0.6 to 1.0
# of standstill and followed back points to 0.8 to 1.4 of it.
OF_A_DRIVE = Bars(peak=0.93, start=0.77, over_peak=1.05, least=0.6)
OF_A_CUT = Bars(peak=0.97, start=0.85, over_peak=1.1, least=0.7)


@dataclass(frozen=True, slots=True)
class Standstill:
    """A stretch at the end of a drive in which the motor stood still.

    ``conductance`` 1/ohm (cold) and ``current_a`` A there; ``since_s`` when it began, on the
    trace's axis.
    """

    conductance: float
    current_a: float
    since_s: float


def find_standstill(
    signal: Signal,
    drive: Drive,
    electric: Electric,
    usual: float | None,
    unit: UnitType,
    limits: Limits,
    *,
    turning: bool,
    cut_itself: bool,
) -> Standstill | None:
    """Return the standstill a drive ends in; None if it ends turning, or too soon to tell.

    ``usual`` is the conductance at standstill that the trace's other starts show, if any;
    ``turning`` tells that the motor was turning when the drive began, ``cut_itself`` that the unit
    ended the drive: no cam does that at standstill, so more is asked before it is believed.
    """
    time_s = signal.time_s[drive.begin : drive.end]
    dwell_s = min(DWELL_S, 0.9 * limits.stall_s)
    first = int(np.searchsorted(time_s, time_s[-1] - dwell_s))
    if len(time_s) < 4 or time_s[-1] - time_s[0] < 0.95 * dwell_s or len(time_s) - first < 3:
        return None
    smooth = median3(electric.conductance)
    noise = drive.rest.noise_a / unit.nominal_v
    stand = _level_at_end(smooth[first:], noise)
    if stand is None or stand * unit.winding_ohm < LEAST_OF_PLAN:
        return None
    below = np.flatnonzero(smooth < 0.9 * stand - 3.0 * noise)
    since = int(below[-1]) + 1 if len(below) else 0
    # A winding held for long heats up and draws less: what it drew at first is compared.
    cold = _cold(smooth[since:], len(time_s) - first, stand)
    bars = OF_A_CUT if cut_itself else OF_A_DRIVE
    if not _is_high_enough(electric, smooth, cold, noise, bars, unit, turning=turning, usual=usual):
        return None
    if not turning and not _came_to_rest(signal, drive, electric, cold, usual, unit):
        return None
    current_a = level(drive.above_a[drive.begin - drive.first : drive.end - drive.first][first:])
    return Standstill(cold, current_a, float(time_s[min(since, len(time_s) - 1)]))


def _level_at_end(values: FloatArray, noise: float) -> float | None:
    """Return the level of a flat stretch; None if it rises or falls."""
    half = len(values) // 2
    early, late = level(values[:half]), level(values[half:])
    slack = LEVEL * abs(late) + 3.0 * noise / np.sqrt(max(half, 1))
    return late if late > 0.0 and abs(early - late) <= slack else None


def _cold(held: FloatArray, chunk: int, stand: float) -> float:
    """Return the highest level that a stretch held for a dwell; ``stand`` is what it ended at.

    Heating goes on all the while; a motor that runs up has settled long before the end.
    """
    count = len(held) // chunk
    if count < 2:
        return stand
    levels = np.median(held[: count * chunk].reshape(count, chunk), axis=1)
    cold = float(levels.max())
    goes_on = float(levels[count // 2]) - stand > GOES_ON * (cold - stand)
    return cold if stand >= HOT * cold and goes_on else stand


def _is_high_enough(
    electric: Electric,
    smooth: FloatArray,
    stand: float,
    noise: float,
    bars: Bars,
    unit: UnitType,
    *,
    turning: bool,
    usual: float | None,
) -> bool:
    """Whether a level is as high as that of standstill, as far as the trace shows it.

    The inrush peaks below it, by what inductance and sampling take off; followed back to the
    start it may come out above, by what bounce adds.  So it must reach the peak, and either what
    the inrush points to or clearly more than the peak.
    """
    if turning:
        top = usual if usual is not None else 1.0 / unit.winding_ohm
        return stand >= bars.start * top
    peak = max(float(smooth[: electric.valley_at + 1].max()), electric.peak - NOISE_IN_PEAK * noise)
    if stand < bars.peak * peak:
        return False
    start = electric.start
    if start is None or stand >= bars.start * start:
        return True
    return stand >= bars.over_peak * peak and stand >= bars.least * start


def _came_to_rest(
    signal: Signal,
    drive: Drive,
    electric: Electric,
    stand: float,
    usual: float | None,
    unit: UnitType,
) -> bool:
    """Whether something besides the level tells standstill from a motor that runs heavily.

    It turned, drawing less, and then drew more again; or it never turned at all, for it shows no
    inrush although one would have been seen; or this is what the plan or other starts say.
    """
    noise = drive.rest.noise_a / unit.nominal_v
    of_plan = stand * unit.winding_ohm
    if of_plan >= SURE_OF_PLAN or (usual is not None and stand >= 0.8 * usual):
        return True
    soon = early_samples(signal, drive)
    later = electric.conductance[soon:]
    width = max(5, len(later) // 50)
    valley = float(running_mean(later, width).min()) if len(later) else stand
    if valley < (1.0 - DIP) * stand - 4.0 * noise / float(np.sqrt(width)):
        return True
    return _shows_no_inrush(signal, drive, electric, noise)


def _shows_no_inrush(signal: Signal, drive: Drive, electric: Electric, noise: float) -> bool:
    """Whether the first samples show that the current rose to its level and stayed there."""
    time_s = signal.time_s[drive.begin : drive.end]
    soon = early_samples(signal, drive)
    before_s = drive.begin_s - drive.begin_half_s
    if len(time_s) < 8 or float(time_s[1]) - before_s > INRUSH_SEEN_S:
        return False
    early = float(np.max(electric.conductance[:soon]))
    settled = level(electric.conductance[soon : soon + max(10, soon)])
    return early < (1.0 + DIP) * settled + 4.0 * noise
