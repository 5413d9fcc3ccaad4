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

from rig.analysis import copper
from rig.analysis.backemf import INRUSH_SEEN_S, Electric, early_samples, integral
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
# A jam handed over from one feed change to the next draws about the same.
STILL_HELD = 0.9
# A winding may be so many times lighter than the plan says (guess), and gets no hotter than its
# insulation.
HEAT_SPREAD, HOTTEST_K = 3.0, 150.0
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
OF_A_DRIVE = Bars(peak=0.87, start=0.75, over_peak=1.0, least=0.55)
OF_A_CUT = Bars(peak=0.97, start=0.85, over_peak=1.1, least=0.7)


@dataclass(frozen=True, slots=True)
class Standstill:
    """A stretch at the end of a drive in which the motor stood still.

    ``conductance`` 1/ohm (cold) and ``current_a`` A there; ``since_s`` when it began, on the
    trace's axis; ``cold_s`` when it had that conductance.  Not ``is_sure`` if the unit cut off by
    itself after it, which a motor that only crept may have done.
    """

    conductance: float
    current_a: float
    since_s: float
    cold_s: float
    is_sure: bool


def find_standstill(
    signal: Signal,
    drive: Drive,
    electric: Electric,
    usual: float | None,
    unit: UnitType,
    limits: Limits,
    *,
    before: Standstill | None,
    cut_itself: bool,
) -> Standstill | None:
    """Return the standstill a drive ends in; None if it ends turning, or too soon to tell.

    ``usual`` is the conductance at standstill that the trace's other starts show, if any;
    ``before`` is the standstill that the drive took over from, if it took over from one;
    ``cut_itself`` tells that the unit ended the drive: no cam does that at standstill, so more is
    asked before it is sure.
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
    hottest = 1.0 / (1.0 + copper.PER_K * HOTTEST_K)
    if stand < 0.9 * hottest * OF_A_DRIVE.peak * (electric.peak - NOISE_IN_PEAK * noise):
        return None  # far from it, whatever the rest would show
    below = np.flatnonzero(smooth < 0.9 * stand - 3.0 * noise)
    since = int(below[-1]) + 1 if len(below) else 0
    # A winding held for long heats up and draws less: what it drew at first is compared.
    hot = _hot(time_s[since:], smooth[since:], electric, unit)
    cold, until = _cold(smooth[since:], len(time_s) - first, stand, hot)
    # A drive handed over by one that stood still starts from rest like any other.
    turning = drive.carried and before is None
    heights = (electric, smooth, cold, noise, unit)
    if not _is_high_enough(*heights, OF_A_DRIVE, turning=turning, usual=usual):
        return None
    is_sure = not cut_itself or _is_high_enough(*heights, OF_A_CUT, turning=turning, usual=usual)
    goes_on = before is not None and cold >= STILL_HELD * before.conductance
    if not (turning or goes_on) and not _came_to_rest(
        signal, drive, electric, cold, since + until, usual, unit
    ):
        return None
    current_a = level(drive.above_a[drive.begin - drive.first : drive.end - drive.first][first:])
    since_s, ended_s = (float(time_s[min(k, len(time_s) - 1)]) for k in (since, since + until))
    cold_s = max(ended_s - 0.5 * dwell_s, since_s)
    return Standstill(cold, current_a, since_s, cold_s, is_sure)


def _level_at_end(values: FloatArray, noise: float) -> float | None:
    """Return the level of a flat stretch; None if it rises or falls."""
    half = len(values) // 2
    early, late = level(values[:half]), level(values[half:])
    slack = LEVEL * abs(late) + 3.0 * noise / np.sqrt(max(half, 1))
    return late if late > 0.0 and abs(early - late) <= slack else None


def _hot(time_s: FloatArray, conductance: FloatArray, electric: Electric, unit: UnitType) -> float:
    """Return to what part a winding's conductance may fall by the heat put into it."""
    supply_v = electric.supply_v if electric.supply_v == electric.supply_v else unit.nominal_v
    heat_j = supply_v**2 * integral(time_s, conductance)
    warmer_k = min(HEAT_SPREAD * heat_j / unit.heat_j_per_k, HOTTEST_K)
    return 1.0 / (1.0 + copper.PER_K * warmer_k)


def _cold(held: FloatArray, chunk: int, stand: float, hot: float) -> tuple[float, int]:
    """Return the highest level that a stretch held for a dwell, and where in it that ended.

    Without heating that is ``stand``, the level of its end; with heating, ``stand`` is not below
    ``hot`` of it.  Heating goes on all the while; a motor that runs up has settled long before.
    """
    count = len(held) // chunk
    if count < 2:
        return stand, len(held)
    levels = np.median(held[: count * chunk].reshape(count, chunk), axis=1)
    hottest = int(np.argmax(levels))
    cold = float(levels[hottest])
    falls_only = not np.any(np.diff(levels[hottest:]) > DIP * cold)
    goes_on = float(levels[count // 2]) - stand > GOES_ON * (cold - stand)
    if cold <= stand or stand < hot * cold or not (falls_only and goes_on):
        return stand, len(held)
    return cold, (hottest + 1) * chunk


def _is_high_enough(
    electric: Electric,
    smooth: FloatArray,
    stand: float,
    noise: float,
    unit: UnitType,
    bars: Bars,
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
    until: int,
    usual: float | None,
    unit: UnitType,
) -> bool:
    """Whether something besides the level tells standstill from a motor that runs heavily.

    It turned, drawing less, and then drew more again (up to sample ``until``); or it never turned
    at all, for it shows no inrush although one would have been seen.  Where the start was not
    sampled, the plan's resistance or the other starts must say.
    """
    noise = drive.rest.noise_a / unit.nominal_v
    soon = early_samples(signal, drive)
    before = electric.conductance[soon:until]
    width = max(5, len(before) // 50)
    if len(before) >= width:
        valley = float(running_mean(before, width).min())
        if valley < (1.0 - DIP) * stand - 4.0 * noise / float(np.sqrt(width)):
            return True
    if _saw_start(signal, drive):
        return _shows_no_inrush(electric, soon, noise)
    of_plan = stand * unit.winding_ohm
    return of_plan >= SURE_OF_PLAN or (usual is not None and stand >= 0.8 * usual)


def _saw_start(signal: Signal, drive: Drive) -> bool:
    """Whether an inrush, had there been one, would have been sampled."""
    time_s = signal.time_s[drive.begin : drive.end]
    before_s = drive.begin_s - drive.begin_half_s
    return len(time_s) >= 8 and float(time_s[1]) - before_s <= INRUSH_SEEN_S


def _shows_no_inrush(electric: Electric, soon: int, noise: float) -> bool:
    """Whether the first samples show that the current rose to its level and stayed there."""
    early = float(np.max(electric.conductance[:soon]))
    settled = level(electric.conductance[soon : soon + max(10, soon)])
    return early < (1.0 + DIP) * settled + 4.0 * noise
