"""Steady relations of a brushed direct-current motor, as in any catalogue of such motors.

V = R i + K w and torque = K i, with K in V s/rad, which is the same number in N m/A.  With a gear,
K and inertia are those felt at the output; the relations stay the same.
"""

from __future__ import annotations

import math

TURN = 2.0 * math.pi


def stall_current_a(supply_v: float, ohm: float) -> float:
    """Return the current at standstill (A): V/R."""
    return supply_v / ohm


def no_load_rad_s(supply_v: float, ohm: float, constant_vs: float, no_load_a: float) -> float:
    """Return the speed (rad/s) at which friction takes ``no_load_a``: (V - R I0)/K."""
    return (supply_v - ohm * no_load_a) / constant_vs


def stall_torque_nm(constant_vs: float, stall_a: float) -> float:
    """Return the torque at standstill (N m), as catalogues print it: K Is."""
    return constant_vs * stall_a


def speed_gradient_rad_s_per_nm(ohm: float, constant_vs: float) -> float:
    """Return by how much the speed falls for each N m of load: R/K2."""
    return ohm / constant_vs**2


def mechanical_time_constant_s(ohm: float, constant_vs: float, inertia_kgm2: float) -> float:
    """Return R J/K2 (s), the inductance left out.

    Seen from the terminals a motor is R and a capacitance J/K2: with that for the inertia, K is 1.
    """
    return ohm * inertia_kgm2 / constant_vs**2


def constant_of(emf_vs_per_rev: float) -> float:
    """Return K (V s/rad, or N m/A) of volts per revolution a second."""
    return emf_vs_per_rev / TURN


def torque_nm(emf_vs_per_rev: float, current_a: float) -> float:
    """Return the torque (N m) that a current makes at the output, the gear's losses not taken off.

    What the gear loses is part of the friction current.
    """
    return constant_of(emf_vs_per_rev) * current_a
