"""Everything that is known of one window before it is called an outcome."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.backemf import (
    Electric,
    Family,
    back_emf_v,
    charge_c,
    choose_ohm,
    find_family,
    integral,
    read_electric,
    turned_vs,
)
from rig.analysis.cutoff import Cut
from rig.analysis.drive import Drive
from rig.analysis.edges import Cause, Window
from rig.analysis.flow import NOISE_SIGMAS, QUIET
from rig.analysis.levels import level, running_mean
from rig.analysis.model import Limits, UnitType
from rig.analysis.signal import Signal
from rig.analysis.standstill import Standstill, find_standstill
from rig.analysis.trace import FloatArray

# Relays of feed and unit let go within this of the recorded change (s): a current that ends so
# near a feed change was ended by it.
BY_THE_FEED_S = 0.010
# Noise above this part of the stall current hides a motor; so many equal codes in a row come from
# a sensor that has stopped, if its codes varied before (guesses).
DEAF_NOISE, FROZEN = 0.1, 50
# Below this part of the running current, or in the noise, the motor idles; seen over some samples.
IDLE, IDLE_SAMPLES = 0.05, 9
# A leap across rest counts from this part of the running current on, either side (guess).
LEAP = 0.005
# Of the last so many samples at least this part leap where the end is hidden (guess).
LATELY, LATELY_LEAST = 16, 0.15
# The voltage counts as gone below this part of what it was during the drive.
GONE_OF_DRIVE = 0.5


# So many usual distances between samples are a hole in the trace.
HOLE_STEPS = 5


@dataclass(frozen=True, slots=True)
class Evidence:
    """One window: its drive, its circuit, its angle, its voltages, its neighbours.

    ``turned_vs`` is the back-EMF integral (V s), ``moved_c`` the charge through the motor (C),
    ``idle_vs`` the part of the integral made without current.
    ``window_v``, ``before_v`` and ``after_v`` are the median voltages of the window, at rest
    before it and after the cut-off (V, NaN if unknown).  ``cut`` is the unit's own doing;
    ``by_rig`` tells that a feed change ended the current, ``feed_lost`` that the voltage went
    with it.  ``clipped_part`` and ``seen_part`` are parts of the drive's samples and of the
    window's time, ``scatter_part`` that of samples from the drive's begin on that leap across rest
    by more than its noise; ``zero_moved`` that the sensor's zero moved by what hides a cut-off;
    ``is_deaf`` tells that a current would not have shown in it.  ``hole_s`` is the longest time
    without a sample up to the end of the current, or of a window without one (s), 0 if it is not
    much longer than usual in this trace.
    """

    drive: Drive
    electric: Electric | None
    ohm: float
    emf_v: FloatArray
    turned_vs: float
    moved_c: float
    idle_vs: float
    standstill: Standstill | None
    window_v: float
    before_v: float
    after_v: float
    cut: Cut | None
    by_rig: bool
    feed_lost: bool
    clipped_part: float
    seen_part: float
    scatter_part: float
    zero_moved: bool
    is_deaf: bool
    hole_s: float

    @property
    def window(self) -> Window:
        """The window."""
        return self.drive.window

    @property
    def supply_v(self) -> float:
        """Median voltage while current flowed (V), NaN if unknown."""
        return self.window_v if self.electric is None else self.electric.supply_v

    @property
    def driven_s(self) -> float:
        """From the feed change to the end of the current (s)."""
        cut = self.drive.cut
        return (self.window.end_s if cut is None else cut.time_s) - self.window.start_s


def gather(signal: Signal, drives: list[Drive], unit: UnitType, limits: Limits) -> list[Evidence]:
    """Return the evidence of every window."""
    electrics = [read_electric(signal, d, unit) if d.flows else None for d in drives]
    family = find_family([e for e in electrics if e is not None])
    alone: list[Evidence] = []
    for drive, electric in zip(drives, electrics, strict=True):
        before = alone[-1].standstill if drive.carried else None
        alone.append(_one(signal, drive, electric, family, unit, limits, before=before))
    return alone


def _one(
    signal: Signal,
    drive: Drive,
    electric: Electric | None,
    family: Family | None,
    unit: UnitType,
    limits: Limits,
    *,
    before: Standstill | None,
) -> Evidence:
    cut = drive.cut
    window_v = _level_v(signal, drive.first, drive.last)
    after_v = float("nan")
    if cut is not None:  # of the later half, for the voltage is read at a lower rate
        after_v = _level_v(signal, (drive.end + drive.last) // 2, drive.last)
    by_rig, lost = _ended_by(signal, drive, window_v, electric, after_v)
    ohm, emf_v, turned, standstill = unit.winding_ohm, np.empty(0), 0.0, None
    moved_c = idle_vs = 0.0
    if electric is not None:
        usual = family.start if family else None
        cut_itself = cut is not None and not by_rig and not lost
        standstill = find_standstill(
            signal, drive, electric, usual, unit, limits, before=before, cut_itself=cut_itself
        )
        ohm = choose_ohm(electric, family, unit)
        if standstill is not None and not cut_itself:
            ohm = 1.0 / standstill.conductance
        emf_v = back_emf_v(drive, electric, ohm)
        turned = turned_vs(signal, drive, emf_v)
        moved_c = charge_c(signal, drive)
        idle_vs = _idle_vs(signal, drive, emf_v)
    return Evidence(
        drive=drive,
        electric=electric,
        ohm=ohm,
        emf_v=emf_v,
        turned_vs=turned,
        moved_c=moved_c,
        idle_vs=idle_vs,
        standstill=standstill,
        window_v=window_v,
        before_v=_before_v(signal, drive, float("nan") if lost else after_v),
        after_v=after_v,
        cut=None if by_rig or lost else cut,
        by_rig=by_rig,
        feed_lost=lost,
        clipped_part=_clipped_part(signal, drive),
        seen_part=_seen_part(signal, drive),
        scatter_part=_scatter_part(drive),
        zero_moved=drive.flows and signal.zero_moved_a > QUIET * drive.running_a,
        is_deaf=_is_deaf(signal, drive, unit),
        hole_s=_hole_s(signal, drive),
    )


def _idle_vs(signal: Signal, drive: Drive, emf_v: FloatArray) -> float:
    """Return the part of the integral in which no current flowed (V s).

    A cable that pulls the motor along may turn it faster than the voltage would, unseen.
    """
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    idle_a = max(IDLE * drive.running_a, 2.0 * drive.rest.smoothed_noise_a(IDLE_SAMPLES))
    idle = np.abs(running_mean(above_a, IDLE_SAMPLES)) < idle_a
    if not idle.any():
        return 0.0
    return integral(signal.time_s[drive.begin : drive.end], np.where(idle, emf_v, 0.0))


def _ended_by(
    signal: Signal, drive: Drive, window_v: float, electric: Electric | None, after_v: float
) -> tuple[bool, bool]:
    """Return whether a feed change ended the current, and whether the voltage went with it."""
    window, cut = drive.window, drive.cut
    if cut is None:
        return drive.flows and window.ends is not Cause.TRACE, False
    near_s = BY_THE_FEED_S + 2.0 * signal.step_s
    if window.ends is not Cause.TRACE and window.end_s - cut.time_s < near_s:
        return True, False
    supply_v = window_v if electric is None else electric.supply_v
    return False, after_v < GONE_OF_DRIVE * supply_v


def _before_v(signal: Signal, drive: Drive, after_v: float) -> float:
    """Return the voltage at rest before the drive; after it where there was no feed before."""
    if drive.window.begins is not Cause.IGNITION:
        return after_v
    span = int(0.1 / signal.step_s) if signal.step_s > 0 else 1
    return _level_v(signal, max(drive.first - max(span, 1), 0), drive.first)


def _level_v(signal: Signal, first: int, last: int) -> float:
    voltage_v = signal.voltage_v[first:last]
    if signal.has_voltage is not None:
        voltage_v = voltage_v[signal.has_voltage[first:last]]
    return level(voltage_v)


def _clipped_part(signal: Signal, drive: Drive) -> float:
    if signal.clipped is None or not drive.flows:
        return 0.0
    return float(signal.clipped[drive.begin : drive.end].mean())


def _hole_s(signal: Signal, drive: Drive) -> float:
    end = drive.end + 1 if drive.flows else drive.last
    times_s = signal.time_s[drive.first : end]
    longest_s = float(np.diff(times_s).max()) if len(times_s) > 1 else 0.0
    return longest_s if longest_s > HOLE_STEPS * signal.step_s else 0.0


def _seen_part(signal: Signal, drive: Drive) -> float:
    length_s = drive.window.end_s - drive.window.start_s
    if length_s <= 0.0 or drive.last <= drive.first:
        return 0.0
    return min((drive.last - drive.first) * signal.step_s / length_s, 1.0)


def _scatter_part(drive: Drive) -> float:
    """Return the part of the samples since the drive began that leap across rest.

    No motor's current turns round from one sample to the next, and back: it is what a sensor makes
    that grew noisy under way.
    """
    if not drive.flows:
        return 0.0
    above_a = drive.above_a[drive.begin - drive.first :]
    least_a = max(NOISE_SIGMAS * drive.rest.noise_a, LEAP * drive.running_a)
    sign = (above_a > least_a).astype(np.int8) - (above_a < -least_a).astype(np.int8)
    leaps = sign[1:] * sign[:-1] < 0
    all_along = float(np.count_nonzero(leaps)) / len(sign)
    # It may have grown noisy only just before the end, and so have hidden that there was one.
    lately = float(np.count_nonzero(leaps[-LATELY:])) / LATELY
    return max(all_along, lately if lately >= LATELY_LEAST else 0.0)


def _is_deaf(signal: Signal, drive: Drive, unit: UnitType) -> bool:
    """Whether the sensor could not have shown a motor's current: stuck, or drowned in noise."""
    if signal.stuck_zero or drive.rest.noise_a > DEAF_NOISE * unit.nominal_v / unit.winding_ohm:
        return True
    if drive.flows:
        return False
    values = drive.above_a
    if len(values) <= FROZEN or bool((values != values[0]).any()):
        return False
    return drive.rest.lively
