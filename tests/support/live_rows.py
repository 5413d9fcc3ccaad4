"""Rows of the live ring made by hand: rest, half-turns, stalls, as a console would get them."""

from __future__ import annotations

from math import nan

import numpy as np

from rig.bench.ring import COLUMNS

HZ = 200
REST_V, RUNNING_V = 12.6, 12.5
INRUSH_A, RUNNING_A, STALL_A = 13.8, 2.2, 23.0
HALF_TURN_S = 0.72


def rows(time_s, current_a=0.0, voltage_v=0.0, **more):
    """Return rows of `COLUMNS` at ``time_s``; each other column a value or values."""
    made = {
        "current_a": current_a,
        "voltage_v": voltage_v,
        "battery_feed": 0.0,
        "ignition_feed": 0.0,
        "flags": 0.0,
        "emergency_stop": 0.0,
        "at_run": nan,
        "at_stop": nan,
        "ignition_a": nan,
        "master": 1.0,
        **more,
    }
    table = np.empty((len(time_s), len(COLUMNS)))
    table[:, 0] = time_s
    for name, values in made.items():
        table[:, COLUMNS.index(name)] = values
    return table


def times(from_s, to_s, hz=HZ):
    """Return the sample times from one time up to another, s."""
    return np.arange(round(from_s * hz), round(to_s * hz)) / hz


def rest(from_s, to_s, *, battery=False, ignition=False, **more):
    """Nothing flows."""
    volts = REST_V if battery else 0.0
    feeds = {"battery_feed": float(battery), "ignition_feed": float(ignition)}
    return rows(times(from_s, to_s), 0.0, volts, **feeds, **more)


def turn(from_s, to_s, *, to_run, stalls_at_s=None, **more):
    """One half-turn from its feed change: inrush, running, parked after `HALF_TURN_S`."""
    time_s = times(from_s, to_s)
    since_s = time_s - from_s
    current_a = RUNNING_A + (INRUSH_A - RUNNING_A) * np.exp(-since_s / 0.02)
    current_a[since_s >= HALF_TURN_S] = 0.0
    if stalls_at_s is not None:
        current_a[since_s >= stalls_at_s] = STALL_A
    voltage_v = REST_V - 0.045 * current_a
    feeds = {"battery_feed": 1.0, "ignition_feed": float(to_run)}
    return rows(time_s, current_a, voltage_v, **feeds, **more)
