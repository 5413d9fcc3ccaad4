"""The motor behind a trace: resistance, back-EMF, friction, inertia, each as far as it shows."""

from __future__ import annotations

from dataclasses import dataclass

from rig.analysis.estimate import Estimate


@dataclass(frozen=True, slots=True)
class MotorIdentity:
    """What the traces of one unit say of its motor.

    ``circuit_ohm`` winding, brushes and leads as they were (ohm, at ``winding_c`` degrees C);
    ``circuit_20c_ohm`` the same at 20 degrees C; ``emf_vs_per_rev`` back-EMF at one revolution of
    the output a second (V s per revolution, gear included); ``friction_a`` the current that
    friction alone takes at no load (A); ``time_constant_s`` mechanical (s); ``inertia_kgm2`` of
    everything up to the gear, as felt at the output (kg m2); ``winding_c`` winding temperature
    (degrees C).
    """

    circuit_ohm: Estimate
    circuit_20c_ohm: Estimate
    emf_vs_per_rev: Estimate
    friction_a: Estimate
    time_constant_s: Estimate
    inertia_kgm2: Estimate
    winding_c: Estimate
