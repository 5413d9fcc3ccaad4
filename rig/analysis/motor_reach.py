"""What a motor can do at a voltage, from what was identified of it: by the steady relations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.motor import MotorIdentity
from rig.analysis.motor_relations import (
    TURN,
    constant_of,
    no_load_rad_s,
    speed_gradient_rad_s_per_nm,
    stall_current_a,
    stall_torque_nm,
)
from rig.analysis.stroke import StrokeProfile

AMPERE, TORQUE, SPEED, GRADIENT, TIMES = "A", "N m", "rev/s", "rev/s per N m", ""
NO_STROKE = "no half-turn of plain work shows what its stroke takes"


@dataclass(frozen=True, slots=True)
class MotorReach:
    """At the output, with ``supply_v`` (V) at the unit, at the temperature the winding had.

    ``stall_a`` (A) and ``stall_nm`` (N m) standing still; ``no_load_rev_s`` with the friction it
    has and nothing on the lever; ``slows_by``: that speed's fall for each N m of load.  Torques
    are currents times the motor constant: what the gear loses counts as load.  ``reserve`` is how
    many times the most that the stroke takes the motor can give before it stands.
    """

    supply_v: float
    stall_a: Estimate
    stall_nm: Estimate
    no_load_rev_s: Estimate
    slows_by: Estimate
    reserve: Estimate


def motor_reach(
    identity: MotorIdentity, supply_v: float, profiles: Sequence[StrokeProfile] = ()
) -> MotorReach:
    """Return what the motor can do on ``supply_v`` (V, above 0).

    ``profiles`` are the strokes that ``reserve`` is held against, friction in their load.
    Uncertainties add up as if the constants were independent (JCGM 100:2008, 5.1.2).
    """
    ohm, emf, friction = identity.circuit_ohm, identity.emf_vs_per_rev, identity.friction_a
    if ohm.value is None:
        none = tuple(
            unknown(name, ohm.missing) for name in (AMPERE, TORQUE, SPEED, GRADIENT, TIMES)
        )
        return MotorReach(supply_v, *none)
    ohm_u = (ohm.u or 0.0) / ohm.value
    stall_a = stall_current_a(supply_v, ohm.value)
    stall = Estimate(stall_a, ohm_u * stall_a, AMPERE)
    reserve = _reserve(stall, profiles)
    if emf.value is None:
        nm, rev_s, slows_by = (unknown(name, emf.missing) for name in (TORQUE, SPEED, GRADIENT))
        return MotorReach(supply_v, stall, nm, rev_s, slows_by, reserve)
    constant_vs, emf_u = constant_of(emf.value), (emf.u or 0.0) / emf.value
    stall_nm = stall_torque_nm(constant_vs, stall_a)
    gradient = speed_gradient_rad_s_per_nm(ohm.value, constant_vs) / TURN
    speed = unknown(SPEED, friction.missing)
    if friction.value is not None:
        free_rev_s = no_load_rad_s(supply_v, ohm.value, constant_vs, friction.value) / TURN
        drop_u_v = math.hypot(ohm.value * (friction.u or 0.0), friction.value * (ohm.u or 0.0))
        u = math.hypot(emf_u * free_rev_s, drop_u_v / constant_vs / TURN)
        speed = Estimate(free_rev_s, u, SPEED)
    return MotorReach(
        supply_v,
        stall,
        Estimate(stall_nm, math.hypot(ohm_u, emf_u) * stall_nm, TORQUE),
        speed,
        Estimate(gradient, math.hypot(ohm_u, 2.0 * emf_u) * gradient, GRADIENT),
        reserve,
    )


def _reserve(stall: Estimate, profiles: Sequence[StrokeProfile]) -> Estimate:
    """Return the stall current over the highest load; the motor constant cancels."""
    highest: tuple[float, float] | None = None
    for profile in profiles:
        known = np.flatnonzero(np.isfinite(profile.load_a))
        if not len(known):
            continue
        at = known[int(np.argmax(profile.load_a[known]))]
        load_a = float(profile.load_a[at])
        if highest is None or load_a > highest[0]:
            highest = load_a, float(profile.load_u_a[at])
    if highest is None or highest[0] <= 0.0 or stall.value is None or stall.u is None:
        return unknown(TIMES, NO_STROKE)
    value = stall.value / highest[0]
    u = value * math.hypot(stall.u / stall.value, highest[1] / highest[0])
    return Estimate(value, u, TIMES)
