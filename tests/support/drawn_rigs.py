"""Rigs whose sensor, shunt and relay are off by drawn amounts, looking at what ngspice computed.

The errors are drawn within what data sheet and rig file allow and laid on committed traces, whose
truth the circuits' own nodes tell; nothing here knows how a budget is made.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import spice

from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy
from rig.analysis.trace import Trace

STEP_A, VOLTAGE_STEP_V = 0.002, 0.016  # 10 uV in 5 mohm; four of the chip's 4 mV
STAMP_S = 266e-6  # the committed traces are stamped at a conversion's end
NORMAL = NormalDist()
CIRCUITS = ("good", "low_supply", "slow_friction", "rest_leak", "weak_supply", "braked")


@dataclass(frozen=True)
class DrawnRig:
    """What a rig is truly off by.  Gains relative, A, V, s."""

    gain: float
    fed_zero_a: float
    zero_a: float
    voltage_gain: float
    relay_s: float
    age_s: float
    clock: float

    def sees(self, circuit: str) -> Trace:
        """Return what this rig records of a circuit."""
        true = spice.trace_of(circuit)
        feeds = spice.feeds_of(circuit)
        # Both contacts close at other moments than is believed.
        late_s = self.relay_s + self.age_s
        time_s = true.time_s - STAMP_S
        columns = [
            _state([(at_s, made[which]) for at_s, *made in feeds], time_s, late_s)
            for which in (0, 1)
        ]
        fed = true.voltage_v > 1.0
        current_a = true.current_a * (1.0 + self.gain) + self.zero_a + self.fed_zero_a * fed
        voltage_v = true.voltage_v * (1.0 + self.voltage_gain)
        return Trace(
            time_s * (1.0 + self.clock),
            np.round(current_a / STEP_A) * STEP_A,
            np.round(voltage_v / VOLTAGE_STEP_V) * VOLTAGE_STEP_V,
            *columns,
        )


def _state(changes, time_s, late_s):
    """Return a feed's state at each sample, every change seen ``late_s`` late but the first."""
    state = np.zeros(len(time_s), dtype=np.bool_)
    for at_s, made in changes:
        state[time_s >= (at_s + late_s if at_s > 0 else at_s)] = made
    return state


def draw(count: int, seed: int, gain_u: float | None = None) -> Iterator[DrawnRig]:
    """Draw rigs: chip grade A over temperature, shunt of 1 %, R4 fitted by test.

    ``gain_u``: their gain is calibrated, and uncertain by this instead (standard, relative).
    Evenly spread draws (a Latin hypercube), so that few of them tell of the tails.
    """
    rng = np.random.default_rng(seed)
    shares = (
        rng.permuted(np.tile(np.arange(count), (9, 1)), axis=1) + rng.random((9, count))
    ) / count
    even = 2.0 * shares - 1.0  # -1 to 1
    normal = [NORMAL.inv_cdf(share) for share in shares[7]]
    known = [NORMAL.inv_cdf(share) for share in shares[8]]
    for at in range(count):
        chip, shunt, warmth, fed_zero, voltage, age, clock = even[:7, at]
        gain = 0.01 * (chip + shunt) if gain_u is None else gain_u * known[at]
        yield DrawnRig(
            gain=gain + 100e-6 * 10 * warmth,
            fed_zero_a=0.01 * fed_zero,
            zero_a=rng.uniform(-0.04, 0.04),  # 200 uV in 5 mohm; the trace shows it
            voltage_gain=0.01 * voltage,
            relay_s=0.0015 * normal[at],
            age_s=0.00037 * age,
            clock=550e-6 * clock,
        )


def errors_of(rig: DrawnRig, circuit: str, accuracy: Accuracy) -> Iterator[tuple[str, float]]:
    """Yield each quantity's error as a part of its expanded uncertainty."""
    found = find_half_turns(rig.sees(circuit), spice.unit_of(circuit), spice.LIMITS, accuracy)
    for got, true in zip(found, spice.true_half_turns(circuit), strict=True):
        for name, value, u, truth in (
            ("half_turn_s", got.half_turn_s, got.half_turn_u_s, true.half_turn_s),
            ("run_a", got.run_a, got.run_u_a, true.middle_a),
            ("rest_a", got.rest_a, got.rest_u_a, true.rest_a),
            ("supply_v", got.supply_v, got.supply_u_v, true.supply_v),
        ):
            if value is not None and truth is not None:
                yield name, abs(value - truth) / u
