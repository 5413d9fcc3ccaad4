"""The netlists' own mechanics against SciPy: circuit `good`, its equations written out again.

L di/dt = V - R i - K w, J dw/dt = K i - b w - T, with dry friction T that holds the rotor until
K i exceeds it, and copper that warms up.  SciPy's solve_ivp (DOP853) with event location; expected
values from ngspice-39, Debian package.  Motor relations: any catalogue of brushed motors.
"""

from __future__ import annotations

from math import degrees, log

import numpy as np
import pytest
import spice
from scipy.integrate import solve_ivp

SUPPLY_V = 12.6
PATH_OHM = 0.060 + 0.010  # battery, wiring, feed contact, shunt; relay contact and cam track
WINDING_OHM, INDUCTANCE_H, CONSTANT_VS = 0.51, 0.41e-3, 0.0293
INERTIA_KGM2, VISCOUS_NMS, FRICTION_NM, GEAR = 22e-6, 29e-6, 0.088, 80.0
COPPER_PER_K, HEAT_J_PER_K = 0.00393, 120.0
START_DEG = 6.0

# Relay: coil current to its operate or release value, then the armature's flight.
COIL_TAU_S, RELEASE_TAU_S = 0.425 / 85.0, 0.425 / (85.0 + 680.0)
OPERATE_S = COIL_TAU_S * log(SUPPLY_V / (SUPPLY_V - 7.0)) + 0.0026
RELEASE_S = RELEASE_TAU_S * log(SUPPLY_V / 2.5) + 0.0011


class Motor:
    """State (current, speed, lever in degrees, warming in K), recorded phase by phase."""

    def __init__(self) -> None:
        self.state = np.array([0.0, 0.0, START_DEG, 0.0])
        self.time_s = 0.0
        self.phases = [(0.0, lambda at_s: np.tile(self.idle, (len(at_s), 1)).T)]
        self.idle = self.state.copy()
        self.cut_offs: list[float] = []

    def run(self, rates, until, start_s: float, span_s: float) -> None:
        """Integrate ``rates`` from ``start_s`` until the event."""
        until.terminal = True
        found = solve_ivp(
            rates,
            (start_s, start_s + span_s),
            self.state,
            method="DOP853",
            events=until,
            dense_output=True,
            rtol=1e-9,
            atol=1e-9,
            max_step=0.002,
        )
        assert found.status == 1
        self.phases.append((start_s, found.sol))
        self.time_s, self.state = float(found.t[-1]), found.y[:, -1].copy()

    def rest(self) -> None:
        here = self.state.copy()
        self.phases.append((self.time_s, lambda at_s: np.tile(here, (len(at_s), 1)).T))

    def half_turn(self, path_closed_s: float, park_deg: float) -> None:
        self.run(held, lambda t, y: CONSTANT_VS * y[0] - FRICTION_NM, path_closed_s, 0.1)
        self.run(driven, lambda t, y: y[2] - park_deg, self.time_s, 3.0)
        self.cut_offs.append(self.time_s)
        self.state[0] = 0.0  # the arc is over in 0.1 ms
        self.run(coasting, lambda t, y: y[1], self.time_s, 3.0)
        self.state[1] = 0.0
        self.rest()

    def at(self, at_s):
        """Return the states at instants in rising order."""
        starts = [start_s for start_s, _ in self.phases]
        phase = np.searchsorted(starts, at_s, side="right") - 1
        return np.hstack([self.phases[k][1](at_s[phase == k]) for k in np.unique(phase)])


def winding_ohm(warming_k: float) -> float:
    return WINDING_OHM * (1.0 + COPPER_PER_K * warming_k)


def current_rate(y):
    ohms = PATH_OHM + winding_ohm(y[3])
    return (SUPPLY_V - ohms * y[0] - CONSTANT_VS * y[1]) / INDUCTANCE_H


def heat_rate(y):
    return y[0] ** 2 * winding_ohm(y[3]) / HEAT_J_PER_K


def held(t, y):
    return [current_rate(y), 0.0, 0.0, heat_rate(y)]


def driven(t, y):
    torque = CONSTANT_VS * y[0] - VISCOUS_NMS * y[1] - FRICTION_NM
    return [current_rate(y), torque / INERTIA_KGM2, degrees(y[1] / GEAR), heat_rate(y)]


def coasting(t, y):
    slowing = (VISCOUS_NMS * y[1] + FRICTION_NM) / INERTIA_KGM2
    return [0.0, -slowing, degrees(y[1] / GEAR), 0.0]


@pytest.fixture(scope="module")
def motor():
    turned = Motor()
    for true in spice.true_half_turns("good"):
        to_run = true.direction == "to_run"
        turned.half_turn(true.start_s + (OPERATE_S if to_run else RELEASE_S), true.number * 180.0)
    return turned


def test_cut_off_instants(motor):
    expected = [true.cut_off_s for true in spice.true_half_turns("good")]
    assert motor.cut_offs == pytest.approx(expected, abs=0.0005)


def test_waveforms(motor):
    """Current and speed within 0.5 % RMS of their peaks, lever within a quarter of a degree."""
    waveform = spice.waveform_of("good")
    current_a, speed_rad_s, lever_deg, _ = motor.at(waveform["time_s"])
    for found, column in ((current_a, "motor_a"), (speed_rad_s, "speed_rad_s")):
        expected = waveform[column]
        assert np.sqrt(np.mean((found - expected) ** 2)) < 0.005 * expected.max()
    assert np.abs(lever_deg - waveform["lever_deg"]).max() < 0.25
