"""The motor behind a lever that is jammed: simulated units held still by an obstacle.

Checked against the simulator's own parameters.
"""

from __future__ import annotations

import pytest
from stroke_traces import LM_12, UNIT, Conditions, identity_of, run

from rig.analysis.model import Accuracy
from rig.analysis.motor import MotorIdentity, identify

# What of the simulated unit is known beforehand.
NAMES = (
    "circuit_20c_ohm",
    "emf_vs_per_rev",
    "friction_a",
    "time_constant_s",
    "inertia_kgm2",
    "inductance_h",
)
TRUE = {
    **{name: getattr(identity_of(LM_12), name).value for name in NAMES},
    "inductance_h": LM_12.inductance_h,
}


def jammed_trace(lever_deg: int, held_s: float, hz: int):
    fault = f"jammed={lever_deg}"
    return run(Conditions(faults=(fault,), half_turn_s=held_s, count=2, hz=hz))[0]


def holds_true(found: MotorIdentity) -> None:
    """Each value is so within its expanded uncertainty, or the words say what is missing."""
    for name, true in TRUE.items():
        estimate = getattr(found, name)
        if estimate.value is None:
            assert estimate.missing, name
        else:
            assert abs(estimate.value - true) <= 2.0 * estimate.u, name


@pytest.mark.parametrize("as_jam", [True, False])
@pytest.mark.parametrize("hz", [200, 1000])
@pytest.mark.parametrize("held_s", [0.3, 1.5, 2.5, 5.0])
@pytest.mark.parametrize("lever_deg", [5, 40, 90, 150])
def test_a_jammed_unit_tells_its_resistance(lever_deg, held_s, hz, as_jam):
    """However long it was held and wherever: a motor that stood still has no load to be found."""
    trace = jammed_trace(lever_deg, held_s, hz)
    traces, jam = ([], [trace]) if as_jam else ([trace], [])
    found = identify(traces, UNIT, Accuracy(), ambient_c=20.0, jam=jam)
    assert found.circuit_20c_ohm.known, found.circuit_20c_ohm.missing
    holds_true(found)
