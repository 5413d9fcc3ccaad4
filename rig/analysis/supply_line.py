"""The supply seen from the unit: its voltage at no current, and its resistance.

A rig reads the voltage every so many samples only and repeats it in between, so that the dip of an
inrush is hardly seen; but all readings of a trace lie on one line over the current.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.evidence import Evidence
from rig.analysis.levels import level
from rig.analysis.signal import Signal
from rig.analysis.trace import FloatArray

# Readings so soon after the first current are left out: they and the current they are laid beside
# were not taken in the same instant (s).
TOO_SOON_S = 0.003
# A level of many readings counts as much as so many single ones.
LEVEL_WEIGHT = 8.0
# No supply, wiring and fuse of a bench has more (ohm, guess).
OHM_MOST = 2.0
# Readings scatter by half a step of the sensor at least (INA219 data sheet: 4 mV); where they show
# nothing of the supply's resistance it is known to this (ohm, standard, guess).
STEP_V, UNSEEN_U_OHM = 0.002, 0.1


@dataclass(frozen=True, slots=True)
class SupplyLine:
    """``volts`` without current, less ``ohm`` times the current; ``u_ohm`` standard uncertainty.

    ``scatter_v`` is what the readings scatter about it (V).
    """

    volts: float
    ohm: float
    u_ohm: float
    scatter_v: float


def supply_lines(signal: Signal, drives: list[Evidence]) -> list[SupplyLine | None]:
    """Return the line for each drive of a trace: one resistance, each its own voltage.

    None where the voltage was not recorded.
    """
    points = [_points(signal, e) for e in drives]
    known = [p for p in points if p is not None]
    if not known:
        return [None] * len(drives)
    # Least squares with a voltage each: the resistance from what differs within each drive.
    over = spread = 0.0
    for current_a, voltage_v, weight in known:
        off_a = current_a - float(weight @ current_a / weight.sum())
        over += float(weight @ (off_a * off_a))
        spread += float(weight @ (off_a * voltage_v))
    ohm = min(max(-spread / over, 0.0), OHM_MOST) if over > 0.0 else 0.0
    square = count = 0.0
    volts: list[float] = []
    for current_a, voltage_v, weight in known:
        sum_v = voltage_v + ohm * current_a
        volts.append(float(weight @ sum_v / weight.sum()))
        square += float(weight @ (sum_v - volts[-1]) ** 2)
        count += float(weight.sum())
    scatter_v = (square / max(count - len(known) - 1.0, 1.0)) ** 0.5
    u_ohm = min(max(scatter_v, STEP_V) / over**0.5, UNSEEN_U_OHM) if over > 0.0 else UNSEEN_U_OHM
    lines = iter(volts)
    return [None if p is None else SupplyLine(next(lines), ohm, u_ohm, scatter_v) for p in points]


def _points(signal: Signal, e: Evidence) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return currents, voltages and weights: fresh readings, and the levels at rest and running."""
    drive = e.drive
    if e.supply_v != e.supply_v or e.electric is None:
        return None
    above_a = drive.above_a[drive.begin - drive.first : drive.end - drive.first]
    voltage_v = signal.voltage_v[drive.begin : drive.end]
    fresh = np.zeros(len(voltage_v), dtype=np.bool_)
    fresh[1:] = voltage_v[1:] != voltage_v[:-1]
    if signal.has_voltage is not None:
        fresh &= signal.has_voltage[drive.begin : drive.end]
    time_s = signal.time_s[drive.begin : drive.end]
    fresh &= time_s > drive.begin_s + TOO_SOON_S
    currents, volts = above_a[fresh], voltage_v[fresh]
    weights = np.ones(len(currents))
    half = slice(len(above_a) // 2, None)
    levels = [(level(above_a[half]), level(voltage_v[half]))]
    if e.before_v == e.before_v and e.before_v > 0.5 * e.supply_v:
        levels.append((0.0, e.before_v))
    return (
        np.append(currents, [a for a, _ in levels]),
        np.append(volts, [v for _, v in levels]),
        np.append(weights, [LEVEL_WEIGHT] * len(levels)),
    )
