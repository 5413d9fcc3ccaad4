"""Traces of half-turns from a motor integrated by SciPy's solve_ivp, not by our simulator."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import inf, pi

import numpy as np
from scipy.integrate import solve_ivp

from rig.analysis.trace import Trace


@dataclass(frozen=True)
class Motor:
    """A geared DC motor: V, ohm, H, V s/rad, kg m2, gear, N m; ``stops_at`` in half-turns.

    ``opens_at`` is the share of a half-turn at which its cam opens (inf: never).
    """

    supply_v: float = 12.0
    winding_ohm: float = 0.75
    inductance_h: float = 0.6e-3
    constant_vs: float = 0.0293
    inertia: float = 1.5e-5
    gear: float = 80.0
    friction_nm: float = 0.06
    stops_at: float = inf
    opens_at: float = 1.0


@cache
def driven(motor: Motor, most_s: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Return times (s), currents (A) and when the cam cut it off (inf: it did not)."""
    half_rad = pi * motor.gear

    def slope(t, y):
        current_a, speed, angle = y
        emf = motor.constant_vs * speed
        torque = motor.constant_vs * current_a
        stopped = angle >= motor.stops_at * half_rad
        net = torque - motor.friction_nm if speed > 0 else max(torque - motor.friction_nm, 0.0)
        return (
            (motor.supply_v - motor.winding_ohm * current_a - emf) / motor.inductance_h,
            -speed / 1e-4 if stopped else net / motor.inertia,
            speed,
        )

    def opens(t, y):
        return y[2] - motor.opens_at * half_rad if motor.opens_at < inf else 1.0

    opens.terminal = True
    fine_s = np.arange(0.0, most_s, 1e-4)
    found = solve_ivp(
        slope, (0.0, most_s), (0.0, 0.0, 0.0), "LSODA", fine_s, events=opens, rtol=1e-6, atol=1e-8
    )
    cut_s = float(found.t_events[0][0]) if len(found.t_events[0]) else inf
    return found.t, found.y[0], cut_s


@dataclass(frozen=True)
class Recording:
    """How a trace of half-turns is recorded."""

    hz: float = 1000.0
    origin_s: float = 0.0
    offset_a: float = 0.0
    noise_a: float = 0.01
    leak_a: float = 0.0
    seed: int = 1
    fed_s: float = 5.0


def trace_of(motors: list[Motor], recording: Recording = Recording()) -> tuple[Trace, list[float]]:
    """Return a trace of half-turns to run, to stop, ... and each one's true time (inf: none).

    The battery feed is made 0.3 s in, each ignition edge follows 0.6 s after the last cut-off; a
    half-turn that is not cut off ends with the battery feed after ``fed_s``.
    """
    edges, cuts, t = [], [], 0.9003
    for motor in motors:
        _, _, cut_s = driven(motor, recording.fed_s)
        edges.append(t)
        cuts.append(cut_s)
        t += (cut_s if cut_s < inf else recording.fed_s) + 0.6
    time_s = np.arange(0.0, t, 1.0 / recording.hz)
    current_a = np.zeros_like(time_s)
    battery = time_s >= 0.3
    ignition = np.zeros(len(time_s), bool)
    for number, (motor, edge_s, cut_s) in enumerate(zip(motors, edges, cuts, strict=True)):
        fine_s, fine_a, _ = driven(motor, recording.fed_s)
        current_a += np.interp(time_s - edge_s, fine_s, fine_a, left=0.0, right=0.0)
        ignition[time_s >= edge_s] = number % 2 == 0
        if cut_s == inf:
            battery &= ~((time_s >= edge_s + recording.fed_s) & (time_s < edge_s + 1e9))
            current_a[time_s >= edge_s + recording.fed_s] = 0.0
    rng = np.random.default_rng(recording.seed)
    current_a += recording.leak_a * battery + recording.offset_a
    current_a += rng.normal(0.0, recording.noise_a, len(time_s))
    voltage_v = np.where(battery, motors[0].supply_v - 0.03 * current_a, 0.0)
    trace = Trace(time_s + recording.origin_s, current_a, voltage_v, battery, ignition)
    return trace, cuts


def variant(motor: Motor, **changes: float) -> Motor:
    """Return ``motor`` with some values changed."""
    return replace(motor, **changes)
