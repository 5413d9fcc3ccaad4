"""Look at a circuit as an INA219 with a 5 milliohm shunt would, one conversion a sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from simulate import FloatArray, Nodes

# Data sheet of the INA219 (SBOS448): 12-bit conversion 532 us, shunt step 10 uV, bus step 4 mV,
# shunt range 160 mV at PGA /4.
CONVERSION_S = 532e-6
SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3
SHUNT_RANGE_V = 0.160

SHUNT_OHM = 0.005
BUS_EVERY = 10  # one bus-voltage conversion every so many samples, held between


@dataclass(frozen=True)
class Sensing:
    """How a record is sampled.  Times in s; noise (standard deviation) and offset in A."""

    seed: int
    start_s: float = 0.15037  # after the circuit's own start, and off its edges
    period_s: float = 0.001
    jitter_s: float = 0.0
    noise_a: float = 0.0025
    offset_a: float = 0.0


def sample(nodes: Nodes, how: Sensing) -> dict[str, FloatArray]:
    """Return the columns of a trace, sampled from the circuit's nodes."""
    rng = np.random.default_rng(how.seed)
    time_s = _instants(float(nodes["time"][-1]), how, rng)
    current_a = _averages(nodes["time"], nodes["ifeed"], time_s)
    current_a += how.offset_a + how.noise_a * rng.standard_normal(len(time_s))
    shunt_v = np.clip(current_a * SHUNT_OHM, -SHUNT_RANGE_V, SHUNT_RANGE_V)
    voltage_v = _averages(nodes["time"], nodes["ub"], time_s)
    held = np.arange(len(time_s)) // BUS_EVERY * BUS_EVERY
    # The bus register has no sign.
    bus_v = np.maximum(np.floor(voltage_v[held] / BUS_STEP_V) * BUS_STEP_V, 0.0)
    return {
        "time_s": time_s,
        "current_a": np.round(shunt_v / SHUNT_STEP_V) * SHUNT_STEP_V / SHUNT_OHM,
        "voltage_v": bus_v,
        "battery_feed": _made(nodes, "cb", time_s),
        "ignition_feed": _made(nodes, "ci", time_s),
    }


def _instants(end_s: float, how: Sensing, rng: np.random.Generator) -> FloatArray:
    count = int((end_s - how.start_s) / how.period_s)
    time_s = how.start_s + how.period_s * np.arange(count)
    time_s += how.jitter_s * rng.standard_normal(count)
    return np.round(time_s, 6)


def _averages(time_s: FloatArray, value: FloatArray, at_s: FloatArray) -> FloatArray:
    """Average ``value`` over one conversion before each instant (exact for straight pieces)."""
    area = np.concatenate(([0.0], np.cumsum(np.diff(time_s) * (value[1:] + value[:-1]) / 2)))

    def integral(instants: FloatArray) -> FloatArray:
        row = np.clip(np.searchsorted(time_s, instants, side="right") - 1, 0, len(time_s) - 2)
        step = instants - time_s[row]
        slope = (value[row + 1] - value[row]) / (time_s[row + 1] - time_s[row])
        part: FloatArray = area[row] + step * (value[row] + slope * step / 2)
        return part

    return (integral(at_s) - integral(at_s - CONVERSION_S)) / CONVERSION_S


def _made(nodes: Nodes, node: str, at_s: FloatArray) -> NDArray[np.float64]:
    level = np.interp(at_s, nodes["time"], nodes[node])
    return (level > 0.5).astype(np.float64)
