"""Traces of the simulated unit alone, sampled at any rate with noise, with its true parameters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from drivers.simulated.alone import Waveform, run_alone
from drivers.simulated.faults import AppliedFault, Fault
from drivers.simulated.parameters import COPPER_PER_K, UnitParameters
from rig.analysis.estimate import Estimate
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import HalfTurn, Limits, UnitType, VoltageLimit
from rig.analysis.motor import MotorIdentity
from rig.analysis.trace import Trace

UNIT = UnitType("LM-12", 12.0, 0.51, 7.36, 120.0, brake_at_park=True)
LIMITS = Limits(VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))))
LM_12 = UnitParameters()
PATH_OHM = 0.04
FED_S, PAUSE_S = 0.2, 0.3


@dataclass(frozen=True)
class Conditions:
    """How a unit is run and recorded."""

    hz: float = 1000.0
    noise_a: float = 0.012
    supply_v: float = 12.0
    path_ohm: float = PATH_OHM
    count: int = 2
    voltage_every: int = 10
    seed: int = 1
    parameters: UnitParameters = LM_12
    faults: tuple[str | AppliedFault, ...] = ()
    load_nm: float = 0.0
    half_turn_s: float = 1.2


def effect(name: str, value: float) -> AppliedFault:
    """Return a fault that sets one field of the world's effects, of any name and degree."""
    return AppliedFault(Fault(name, name, "unit", name, "any"), value)


def kink(nm: float, lever_deg: float, width_deg: float) -> tuple[AppliedFault, ...]:
    """Return a kink in the cable at a lever position."""
    return (
        effect("binding_nm", nm),
        effect("binding_deg", lever_deg),
        effect("binding_width_deg", width_deg),
    )


def tooth(nm: float, output_deg: float) -> tuple[AppliedFault, ...]:
    """Return a damaged tooth of the output wheel."""
    return effect("tooth_nm", nm), effect("tooth_deg", output_deg)


@cache
def run(c: Conditions) -> tuple[Trace, Waveform]:
    """Run half-turns to run and back; return what a rig would record, and the truth."""
    changes = [(FED_S, True, False)]
    at_s = 2.0 * FED_S
    for number in range(c.count):
        changes.append((at_s, True, number % 2 == 0))
        at_s += c.half_turn_s + PAUSE_S
    rng = np.random.default_rng(c.seed)
    start_s = float(rng.uniform(0.0, 1.0 / c.hz))
    true = run_alone(
        c.parameters,
        [(t + start_s, b, i) for t, b, i in changes],
        at_s,
        supply_v=c.supply_v,
        path_ohm=c.path_ohm,
        faults=c.faults,
        load_nm=c.load_nm,
        step_s=1.0 / c.hz,
        seed=c.seed,
    )
    time_s = np.array(true.time_s)
    # The sensors' last digits: 2 mA at 5 mohm, 4 mV (INA219 data sheet).
    noisy_a = np.array(true.current_a) + c.noise_a * rng.standard_normal(len(time_s))
    current_a = np.round(noisy_a / 0.002) * 0.002
    volts = np.round(np.array(true.voltage_v) / 0.004) * 0.004
    volts = volts[np.arange(len(volts)) // c.voltage_every * c.voltage_every]
    battery = np.zeros(len(time_s), dtype=bool)
    ignition = np.zeros(len(time_s), dtype=bool)
    for t, b, i in changes:
        battery[time_s >= t + start_s] = b
        ignition[time_s >= t + start_s] = i
    return Trace(time_s, current_a, volts, battery, ignition), true


def half_turns(trace: Trace, unit: UnitType = UNIT, limits: Limits = LIMITS) -> Sequence[HalfTurn]:
    """Return the half-turns of a trace."""
    return find_half_turns(trace, unit, limits)


def identity_of(
    p: UnitParameters,
    *,
    brush_ohm: float = 0.0,
    turns_lost: float = 0.0,
    friction_factor: float = 1.0,
    winding_c: float = 20.0,
    u: float = 0.01,
) -> MotorIdentity:
    """Return what an identification without error would say of a unit, ``u`` relative."""

    def known(value: float, unit: str) -> Estimate:
        return Estimate(value, abs(u * value), unit)

    cold_ohm = p.winding_ohm * (1.0 - turns_lost) + brush_ohm + p.loom_ohm + p.relay.contact_ohm
    warm = 1.0 + COPPER_PER_K * (winding_c - 20.0)
    warm_ohm = cold_ohm + p.winding_ohm * (1.0 - turns_lost) * (warm - 1.0)
    constant = p.constant_vs * (1.0 - turns_lost)
    # Half of the speed's part of the friction is taken at the speed of an unloaded unit.
    drag = p.viscous_nms + turns_lost * p.constant_vs**2 / p.winding_ohm
    dry = p.dry_nm * friction_factor
    speed = (12.0 - warm_ohm * dry / constant) / (constant + warm_ohm * drag / constant)
    return MotorIdentity(
        circuit_ohm=known(warm_ohm, "ohm"),
        circuit_20c_ohm=known(cold_ohm, "ohm"),
        emf_vs_per_rev=known(constant * p.gear * 2.0 * math.pi, "V s"),
        friction_a=known((dry + drag * speed) / constant, "A"),
        time_constant_s=known(warm_ohm * p.rotor_kgm2 / constant**2, "s"),
        inertia_kgm2=known(p.rotor_kgm2 * p.gear**2, "kg m2"),
        winding_c=Estimate(winding_c, 2.0, "deg C"),
    )


def varied(c: Conditions, **changes: object) -> Conditions:
    """Return conditions with some changed."""
    return replace(c, **changes)  # type: ignore[arg-type]
