"""Winding resistance, speed and angle from voltage and current alone.

V = R i + K w (the inductance's part sums to nothing over a half-turn), so the integral of V - R i
is the angle turned times the motor constant, whatever supply and load.  R is taken from the trace
where it can be: at the first instant of a drive the motor stands still and the current would be
V/R; the inrush is followed back to that instant.  Motor relations: any catalogue of brushed
direct-current motors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.drive import Drive
from rig.analysis.levels import level, median, running_mean
from rig.analysis.model import UnitType
from rig.analysis.signal import Signal
from rig.analysis.trace import FloatArray

# A sample may stand out from both neighbours by this factor (an inrush sampled at 200 Hz does);
# more is a spike (guess).
SPIKE = 2.2
# A spike stands out by this part of its neighbours at least, and by this many times what they
# differ from each other (guess).
SPIKE_LEAST, SPIKE_LIKE = 0.05, 3.0
INRUSH_SAMPLES = 3
# The plateau of a drive, as parts of its time: after the inrush, before the cam.
PLATEAU_FROM, PLATEAU_TO = 0.25, 0.95
# An inrush stands above the running current by this factor at least.
INRUSH = 1.15
# Where following back raises the inrush by more than this, or the inrush is over in fewer samples,
# it is a guess.
COARSE, FEW = 1.5, 5
# An inrush is not over before this (s): first samples must lie within it to have seen it.
INRUSH_SEEN_S = 0.012
# Starts of one unit agree to this part.  The resistance lies between these parts of that which the
# inrush, followed back, shows (measured on simulated motors of time constants 5 to 50 ms).
FAMILY = 0.3
START_LEAST, START_MOST = 1.0, 1.15
# A drive that does not cut itself off shows its source's drift by thirds of so many samples; drift
# and resistance are told apart if their equations are no worse conditioned than so (guess).
THIRD_SAMPLES, UNTOLD = 20, 1e3
# Voltage samples below this part of the drive's own median are stale or sagging beyond use.
VOLTAGE_LOW = 0.4


@dataclass(frozen=True, slots=True)
class Electric:
    """What a drive says of the motor circuit.

    ``supply_v`` median voltage (V, NaN if not recorded); ``conductance`` sample by sample (1/ohm),
    bridged where the current dropped out; ``peak`` of the inrush, free of spikes, at sample
    ``peak_at`` of the drive; ``valley`` the lowest it ran up to, at sample ``valley_at``;
    ``plateau`` the median after the inrush; ``start`` the inrush followed back to standstill,
    None without an inrush; ``is_coarse`` tells that it was sampled too rarely to be followed.
    """

    supply_v: float
    voltage_v: FloatArray
    conductance: FloatArray
    peak: float
    peak_at: int
    valley: float
    valley_at: int
    plateau: float
    start: float | None
    is_coarse: bool


def read_electric(signal: Signal, drive: Drive, unit: UnitType) -> Electric:
    """Return the electric side of a drive that flows."""
    voltage_v, supply_v = _voltage(signal, drive, unit)
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    conductance = bridged(drive, above_a / voltage_v)
    n = len(conductance)
    clean = without_spikes(conductance)
    # The motor has run up where the current is lowest.  What comes after is its load, or a jam: a
    # lever that springs back drives the current above that of standstill.
    soon = min(early_samples(signal, drive), n - 1)
    calm = running_mean(clean, max(5, n // 20))
    valley_at = soon + int(np.argmin(calm[soon:]))
    valley = float(calm[valley_at])
    peak_at = int(np.argmax(clean[: valley_at + 1]))
    peak = float(clean[peak_at])
    plateau = level(conductance[int(PLATEAU_FROM * n) : max(int(PLATEAU_TO * n), 1)])
    if n < 8:
        plateau = median(conductance)
    start, is_coarse = None, True
    if not drive.carried and peak > INRUSH * valley and peak_at <= n // 2:
        start, is_coarse = _start(signal, drive, clean, peak_at, valley)
    return Electric(
        supply_v=supply_v,
        voltage_v=voltage_v,
        conductance=conductance,
        peak=peak,
        peak_at=peak_at,
        valley=valley,
        valley_at=valley_at,
        plateau=plateau,
        start=start,
        is_coarse=is_coarse,
    )


def early_samples(signal: Signal, drive: Drive) -> int:
    """Return how many samples the winding's inductance, and the first of an inrush, take up."""
    time_s = signal.time_s[drive.begin : drive.end]
    return int(np.searchsorted(time_s, time_s[0] + INRUSH_SEEN_S)) + 1


def bridged(drive: Drive, values: FloatArray) -> FloatArray:
    """Return a drive's values with straight lines where the current dropped out."""
    if not drive.out:
        return values
    closed = np.ones(len(values), dtype=np.bool_)
    for a, b in drive.out:
        closed[max(a - drive.begin - 1, 0) : b - drive.begin + 1] = False
    if not closed.any():
        return values
    index = np.arange(len(values))
    return np.interp(index, index[closed], values[closed])


def _voltage(signal: Signal, drive: Drive, unit: UnitType) -> tuple[FloatArray, float]:
    """Return the voltage of a drive's samples made usable, and its median (NaN if unknown)."""
    there = signal.has_voltage
    voltage_v = signal.voltage_v[drive.begin : drive.end]
    known = voltage_v if there is None else voltage_v[there[drive.begin : drive.end]]
    supply_v = level(known) if len(known) else float("nan")
    # A wire fallen off reads nothing although current flows: then the nominal voltage must serve.
    needed_v = drive.running_a * unit.winding_ohm
    if not supply_v >= 0.0 or (supply_v < 0.2 * needed_v and needed_v > 0.03 * unit.nominal_v):
        return np.full(len(voltage_v), unit.nominal_v), float("nan")
    supply_v = max(supply_v, 1e-3)  # a feed that is dead is not divided by
    stale = voltage_v < VOLTAGE_LOW * supply_v
    usable_v = np.where(stale, supply_v, voltage_v)
    return _refreshed(signal, drive, usable_v, supply_v), supply_v


def _refreshed(signal: Signal, drive: Drive, voltage_v: FloatArray, supply_v: float) -> FloatArray:
    """Return the voltage as it must have been where it was read less often than the current.

    A rig reads the voltage every so many samples only and repeats it in between.  The fall from
    rest to running gives the source's resistance, and that the voltage at every current.  A source
    that drifts meanwhile does so along a line.
    """
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    moving = np.abs(above_a[1:] - above_a[:-1]) > 0.1 * drive.running_a
    held = moving & (voltage_v[1:] == voltage_v[:-1])
    if signal.has_voltage is not None:
        held |= moving & ~signal.has_voltage[drive.begin + 1 : drive.end]
    if 2 * int(np.count_nonzero(held)) < max(int(np.count_nonzero(moving)), 1):
        return voltage_v
    time_s = signal.time_s[drive.begin : drive.end]
    seen = _rests(signal, drive, supply_v)
    third = len(time_s) // 3
    if len(seen) < 2 and third >= THIRD_SAMPLES:
        for part in (slice(third, 2 * third), slice(2 * third, None)):
            # Means, or a current of two levels would not belong to its voltage.
            means = (float(v[part].mean()) for v in (time_s, voltage_v, above_a))
            seen.append((next(means), next(means), next(means)))
        of_s, of_v, of_a = (0.5 * (x + y) for x, y in zip(*seen[-2:], strict=True))
    else:
        of_s, of_v, of_a = 0.5 * float(time_s[0] + time_s[-1]), supply_v, level(above_a)
        seen.append((of_s, of_v, of_a))
    per_s, source_ohm = _drift_and_ohm(seen, of_s)
    shown_v: FloatArray = of_v + per_s * (time_s - of_s) - source_ohm * (above_a - of_a)
    return np.maximum(shown_v, VOLTAGE_LOW * supply_v)


def _drift_and_ohm(seen: list[tuple[float, float, float]], middle_s: float) -> tuple[float, float]:
    """Return a source's drift (V/s) and resistance (ohm) of instants, voltages and currents.

    Three of them tell both (a battery recovers, a charger charges); two the resistance alone.
    """
    at_s, volts, amps = (np.array(column) for column in zip(*seen, strict=True))
    if len(seen) >= 3:
        columns = np.column_stack((np.ones(len(seen)), at_s - middle_s, -amps))
        if np.linalg.cond(columns) < UNTOLD:
            _, per_s, ohm = np.linalg.lstsq(columns, volts, rcond=None)[0]
            return float(per_s), max(float(ohm), 0.0)
    at_rest, running_a = amps == 0.0, float(amps[-1])
    if not at_rest.any() or not running_a > 0.0:
        return 0.0, 0.0
    return 0.0, max(float(volts[at_rest].max() - volts[-1]) / running_a, 0.0)


def _rests(signal: Signal, drive: Drive, supply_v: float) -> list[tuple[float, float, float]]:
    """Return instant (s), voltage (V) and no current before a drive, and after its own cut-off."""
    around = [slice(max(drive.first - 64, 0), drive.first)]
    if drive.cut is not None:
        around.append(slice((drive.end + drive.last) // 2, drive.last))
    found = []
    for part in around:
        there = signal.fed[part] & (signal.voltage_v[part] > VOLTAGE_LOW * supply_v)
        if there.any():
            when_s = float(signal.time_s[part][there].mean())
            found.append((when_s, level(signal.voltage_v[part][there]), 0.0))
    return found


def without_spikes(values: FloatArray) -> FloatArray:
    """Return ``values`` with single samples that tower above both neighbours cut down to them.

    A spike has like neighbours.  ``values`` begin with an inrush, whose first samples may tower
    as well.
    """
    if len(values) < 3:
        return values
    out = values.copy()
    before, after = values[:-2], values[2:]
    beside = np.maximum(before, after)
    excess = values[1:-1] - beside
    is_spike = (excess > SPIKE_LIKE * np.abs(before - after)) & (excess > SPIKE_LEAST * beside)
    is_spike[:INRUSH_SAMPLES] = False  # coarsely sampled, an inrush is one tall sample as well
    is_spike |= values[1:-1] > SPIKE * np.abs(beside)
    out[1:-1] = np.where(is_spike, beside, values[1:-1])
    out[0] = min(values[0], SPIKE * abs(values[1]))
    out[-1] = min(values[-1], abs(values[-2]))
    return out


def _start(
    signal: Signal, drive: Drive, clean: FloatArray, peak_at: int, valley: float
) -> tuple[float, bool]:
    """Follow the inrush back to the instant the contact made; conductance at standstill."""
    peak = float(clean[peak_at])
    excess = clean[peak_at : peak_at + 60] - valley
    below = np.flatnonzero(excess < 0.3 * excess[0])
    end = int(below[0]) + 1 if len(below) else len(excess)
    time_s = signal.time_s[drive.begin + peak_at : drive.begin + peak_at + end]
    usable = excess[:end] > 0.05 * excess[0]
    lag_s = float(time_s[0]) - drive.begin_s
    if usable.sum() < 2 or lag_s <= 0.0:
        return peak, True
    slope = _slope(time_s[usable] - time_s[0], np.log(excess[:end][usable]))
    if slope >= 0.0:
        return peak, True
    rise = float(np.exp(min(-slope * lag_s, np.log(2.0))))
    return valley + float(excess[0]) * rise, rise > COARSE or end < FEW


def _slope(x: FloatArray, y: FloatArray) -> float:
    """Return the slope of the least-squares line."""
    off = x - x.mean()
    return float(off @ y / (off @ off))


@dataclass(frozen=True, slots=True)
class Family:
    """What the starts of a whole trace agree on: conductance at standstill, and their peaks."""

    start: float
    peak: float

    def holds(self, electric: Electric) -> bool:
        """Whether a drive belongs: drives of one unit differ little.

        A large difference is a bad contact in one way round.  A coarsely sampled inrush, or none,
        only shows that the conductance is not less.
        """
        own = electric.start
        if own is None or electric.is_coarse:
            return electric.peak < (1.0 + FAMILY) * self.start
        return abs(own / self.start - 1.0) < FAMILY


def find_family(electrics: list[Electric]) -> Family | None:
    """Return what the starts of a trace agree on; None if no inrush was seen."""
    seen = [e for e in electrics if e.start is not None]
    if not seen:
        return None
    fine = [e for e in seen if not e.is_coarse]
    starts = np.array([e.start for e in fine or seen])
    start = median(starts) if fine else float(starts.max())
    family = Family(start, start)
    peaks = np.array([e.peak for e in fine or seen if family.holds(e)])
    if len(peaks) == 0:
        return family
    return Family(start, median(peaks) if fine else float(peaks.max()))


def choose_ohm(electric: Electric, family: Family | None, unit: UnitType) -> float:
    """Return the resistance of the motor circuit for one drive (ohm).

    The nominal value where the trace allows it, else the nearest the trace allows; the same for
    all drives of a family, so that their angles compare.  Never more than voltage over peak
    current, which is a bound whatever the motor does.
    """
    start, peak = electric.start, electric.peak
    if family is not None and family.holds(electric):
        start = family.start
        peak = family.peak if electric.start is not None else max(family.peak, peak)
    most_ohm = 1.0 / peak if peak > 0 else float("inf")
    if start is None:
        return min(unit.winding_ohm, most_ohm)
    most_ohm = min(most_ohm, START_MOST / start)
    return min(max(unit.winding_ohm, START_LEAST / start), most_ohm)


def back_emf_v(drive: Drive, electric: Electric, ohm: float) -> FloatArray:
    """Return the back-EMF (V) sample by sample; bridged where the current dropped out."""
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    return bridged(drive, electric.voltage_v - ohm * above_a)


def integral(time_s: FloatArray, values: FloatArray) -> float:
    """Return the integral over time by the trapezium rule; 0 of fewer than two samples."""
    if len(time_s) < 2:
        return 0.0
    return float(0.5 * np.dot(time_s[1:] - time_s[:-1], values[1:] + values[:-1]))


def turned_vs(signal: Signal, drive: Drive, emf_v: FloatArray) -> float:
    """Return the back-EMF integral of a drive (V s)."""
    return integral(signal.time_s[drive.begin : drive.end], emf_v)


def charge_c(signal: Signal, drive: Drive) -> float:
    """Return the charge that went through the motor (C), leakage left out."""
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    return integral(signal.time_s[drive.begin : drive.end], above_a)
