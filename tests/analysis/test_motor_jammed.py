"""The motor behind a lever that is jammed: simulated units held still by an obstacle.

Checked against the simulator's own parameters.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from stroke_traces import FED_S, LM_12, PAUSE_S, UNIT, Conditions, identity_of, run

from rig.analysis.model import Accuracy
from rig.analysis.motor import MotorIdentity, identify
from rig.analysis.winding import at_20c

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


@pytest.mark.parametrize("heat", [0.5, 1.0, 1.5])
@pytest.mark.parametrize("held_s", [1.5, 5.0])
@pytest.mark.parametrize("as_jam", [True, False])
def test_stalls_alone_are_reduced_from_the_rise_they_had(held_s, as_jam, heat):
    """Three stalls one after the other warm the winding by 20 and 47 K, the simulator says.

    The type's heat capacity is ``heat`` times the unit's.
    """
    fault = "jammed=90"
    trace, true = run(Conditions(faults=(fault,), half_turn_s=held_s, count=3, hz=200.0))
    pitch_s = held_s + PAUSE_S
    begins_s = [2.0 * FED_S + number * pitch_s - 0.5 * PAUSE_S for number in range(3)]
    parts = [trace.between(begin_s, begin_s + pitch_s) for begin_s in begins_s]
    traces, jam = ([], parts) if as_jam else (parts, [])
    unit = replace(UNIT, heat_j_per_k=heat * UNIT.heat_j_per_k)
    found = identify(traces, unit, Accuracy(), ambient_c=20.0, jam=jam)
    assert not found.time_constant_s.known
    holds_true(found)
    assert found.winding_c.value > 20.0
    if heat == 1.0:
        assert found.winding_c.value < max(true.winding_c)
        assert found.circuit_20c_ohm.value == pytest.approx(TRUE["circuit_20c_ohm"], rel=0.01)
        # The resistance as it was holds at the temperature that is told with it.
        cold_ohm = at_20c(found.circuit_ohm.value, found.winding_c.value)
        assert cold_ohm == pytest.approx(TRUE["circuit_20c_ohm"], rel=0.01)


def test_stalls_of_an_unknown_temperature_are_not_reduced():
    trace = jammed_trace(90, 5.0, 200)
    found = identify([], UNIT, Accuracy(), jam=[trace])
    assert found.circuit_ohm.known
    assert "ambient" in found.circuit_20c_ohm.missing
