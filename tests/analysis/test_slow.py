"""Where a half-turn's time comes from, against motors that SciPy, ngspice and our simulator turn.

Expected values: scipy.integrate.solve_ivp on the motor's own equations; ngspice-39 (Debian package)
on netlists of our own (tests/reference/ngspice); the simulated unit with one thing changed at a
time.  The axioms of the shares (they add up; who changes nothing gets nothing; equals get equal
parts) are Shapley's (A value for n-person games, 1953; from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import spice
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from stroke_traces import (
    LM_12,
    UNIT,
    Conditions,
    half_turns,
    identity_of,
    kink,
    run,
    varied,
)

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy, Direction, HalfTurn, Limits, Outcome, VoltageLimit
from rig.analysis.motor import identify
from rig.analysis.slow import (
    Factor,
    at_nominal_v,
    nominal_of_good,
    nominal_of_type,
    why_slow,
)
from rig.analysis.turn_time import COAST_MOST, TURN_RAD, Turning, coast_vs, half_turn_time

PATIENT = Limits(VoltageLimit(((8.0, 3.0),)), run_on_s=6.0)
BASE = Conditions(count=4, half_turn_s=2.5, supply_v=12.2)


# --- the time of a half-turn ---------------------------------------------------------------------


def integrated(t: Turning) -> float:
    """The same half-turn by SciPy, started at the edge it had coasted over."""

    def slopes(_, y):
        emf = t.nm_per_a * y[0]
        current_a = (t.supply_v - emf) / t.ohm
        torque = t.nm_per_a * current_a - t.torque_nm - t.drag_nms * y[0]
        return (torque / t.inertia_kgm2, y[0])

    def coasting(_, y):
        short_a = -t.nm_per_a * y[0] / t.ohm if t.brake_at_park else 0.0
        torque = t.nm_per_a * short_a - t.torque_nm - t.drag_nms * y[0]
        return (torque / t.inertia_kgm2, y[0])

    def stands(_, y):
        return y[0]

    stands.terminal, stands.direction = True, -1
    top = t.emf_v / t.nm_per_a
    exact = {"rtol": 1e-9, "atol": 1e-11}
    after = solve_ivp(coasting, (0.0, 10.0), (top, 0.0), events=stands, **exact)
    left_rad = math.pi - after.y[1, -1]

    def arrives(_, y):
        return y[1] - left_rad

    arrives.terminal = True
    found = solve_ivp(slopes, (0.0, 30.0), (0.0, 0.0), events=arrives, **exact)
    return t.delay_s + float(found.t_events[0][0])


MOTORS = st.builds(
    Turning,
    supply_v=st.floats(8.0, 16.0),
    ohm=st.floats(0.3, 2.5),
    emf_vs_per_rev=st.floats(8.0, 20.0),
    torque_nm=st.floats(1.5, 6.0),
    inertia_kgm2=st.floats(0.01, 0.1),
    delay_s=st.floats(0.0, 0.05),
    brake_at_park=st.booleans(),
)


@settings(max_examples=15)
@given(MOTORS)
def test_the_closed_form_is_what_scipy_integrates(turning):
    told_s = half_turn_time(turning)
    drop_v = turning.supply_v - turning.emf_v
    before_vs, _ = coast_vs(turning.emf_v, drop_v, turning.tau_s, turning.brake_at_park)
    assume(turning.emf_v > 0.1 * turning.supply_v)  # below it barely turns: nothing is promised
    assume(before_vs < COAST_MOST * 0.5 * turning.emf_vs_per_rev)  # nor if it coasts without end
    true_s = integrated(turning)
    assume(turning.tau_s < 0.1 * true_s)  # it is taken to have reached its steady speed
    assert told_s == pytest.approx(true_s, rel=0.002)


def test_a_source_that_sags_slows_the_run_up_as_scipy_integrates():
    """The same motor behind 0.5 ohm, the voltage at its terminals the same once it runs."""
    stiff = Turning(11.0, 0.8, 14.7, 4.0, 0.096, 0.0, brake_at_park=True)
    weak = replace(stiff, source_ohm=0.5)
    running_a = stiff.torque_nm / stiff.nm_per_a
    whole = replace(stiff, ohm=1.3, supply_v=stiff.supply_v + 0.5 * running_a)
    # The brake does not know of the source; the two coasts differ by a degree.
    assert half_turn_time(weak) == pytest.approx(integrated(whole), rel=0.006)
    assert half_turn_time(weak) > half_turn_time(stiff) + 0.007


def test_a_drag_is_what_scipy_integrates():
    dragged = Turning(12.0, 0.8, 14.7, 3.0, 0.096, 0.01, 0.5, brake_at_park=True)
    assert half_turn_time(dragged) == pytest.approx(integrated(dragged), rel=0.005)


def test_a_motor_too_weak_for_its_load_never_arrives():
    assert half_turn_time(Turning(8.0, 1.0, 14.7, 25.0, 0.1, 0.0)) is None


# --- shares --------------------------------------------------------------------------------------


def good_ones(**changes):
    turns = half_turns(run(varied(BASE, **changes))[0], limits=PATIENT)
    identity = identity_of(LM_12)
    return {
        direction: nominal_of_good(
            [t for t in turns if t.direction is direction],
            identity,
            replace(UNIT, nominal_v=turns[0].supply_v),
        )
        for direction in Direction
    }


@pytest.fixture(scope="module")
def good():
    return good_ones()


def explained(good, identity, **changes):
    """Return the last half-turn of a unit, and where its time comes from."""
    turn = half_turns(run(varied(BASE, **changes))[0], limits=PATIENT)[-1]
    return turn, why_slow(turn, identity, good[turn.direction])


def seconds(why):
    return {f: e.value for f, e in why.shares.items()}


@pytest.mark.parametrize(
    ("changes", "truth", "factor"),
    [
        ({"supply_v": 9.0}, {}, Factor.SUPPLY),
        ({"path_ohm": 0.6}, {}, Factor.SUPPLY),
        ({"faults": ("worn-brushes=0.6",)}, {"brush_ohm": 0.6}, Factor.RESISTANCE),
        ({"faults": ("relay-high-resistance=0.8",)}, {"brush_ohm": 0.8}, Factor.RESISTANCE),
        ({"faults": ("dry-gear=5",)}, {"friction_factor": 5.0}, Factor.FRICTION),
        ({"faults": ("dragging-cable=6",)}, {}, Factor.LOAD),
        ({"faults": kink(8.0, 90.0, 50.0)}, {}, Factor.LOAD),
        ({"load_nm": 4.0}, {}, Factor.LOAD),
    ],
)
def test_what_was_changed_gets_the_time(good, changes, truth, factor):
    """The share of what was changed is the excess, but for the sag that a higher current makes."""
    turn, why = explained(good, identity_of(LM_12, **truth), **changes)
    shares = seconds(why)
    assert why.excess_s > 0.03
    others = {f: s for f, s in shares.items() if f not in (factor, Factor.SUPPLY)}
    assert shares[factor] > 0.85 * why.excess_s
    assert max(map(abs, others.values())) < 0.04 * why.excess_s + 0.002
    assert abs(why.unexplained.value) < 0.012 * turn.half_turn_s
    assert abs(why.unexplained.value) < 2.0 * why.unexplained.u


@pytest.mark.parametrize("supply_v", [9.0, 12.2])
def test_shares_and_the_unexplained_add_up(good, supply_v):
    faults = ("worn-brushes=0.3", "dry-gear=3", "dragging-cable=3")
    truth = {"brush_ohm": 0.3, "friction_factor": 3.0}
    _, why = explained(good, identity_of(LM_12, **truth), faults=faults, supply_v=supply_v)
    shares = seconds(why)
    assert sum(shares.values()) + why.unexplained.value == pytest.approx(why.excess_s, abs=1e-12)
    for factor in (Factor.RESISTANCE, Factor.FRICTION, Factor.LOAD):
        assert shares[factor] > 0.05
        assert why.shares[factor].u < 0.2 * shares[factor]


def test_a_good_unit_owes_nothing(good):
    _, why = explained(good, identity_of(LM_12))
    assert all(abs(s) < 0.003 for s in seconds(why).values())
    assert abs(why.unexplained.value) < 0.003


def test_shorted_turns_are_told_from_resistance(good):
    """They run faster by their back-EMF and slower by their drag; neither is called resistance."""
    _, why = explained(
        good, identity_of(LM_12, turns_lost=0.3), faults=("shorted-turns=0.3",), supply_v=12.2
    )
    assert abs(why.shares[Factor.RESISTANCE].value) < 0.005
    assert why.shares[Factor.TURNS].value is not None
    # Without its drag, fewer turns would have been a gain of more than a quarter of the time.
    assert why.shares[Factor.TURNS].value > -0.05


def test_warmth_is_told_from_worn_brushes(good):
    turn, why = explained(good, identity_of(LM_12, winding_c=80.0))
    # The unit was cold: the identity's warmth must come out as warmth and nothing else.
    assert why.shares[Factor.WARMTH].value > 0.02
    assert abs(why.shares[Factor.RESISTANCE].value) < 0.002
    assert turn.half_turn_s == why.half_turn_s.value


@pytest.mark.parametrize("hz", [250, 1000])
@pytest.mark.parametrize(
    ("changes", "factor"),
    [
        ({"supply_v": 9.0}, Factor.SUPPLY),
        ({"faults": ("worn-brushes=0.6",)}, Factor.RESISTANCE),
        ({"faults": ("dry-gear=5",)}, Factor.FRICTION),
        # Identified with its cable on, an even drag is friction; a kink is not even.
        ({"faults": ("dragging-cable=6",)}, Factor.FRICTION),
        ({"faults": kink(8.0, 90.0, 50.0)}, Factor.LOAD),
    ],
)
def test_with_the_motor_identified_from_the_same_traces(changes, factor, hz):
    def identified(made):
        trace, _ = run(made)
        motor = identify([trace], UNIT, Accuracy(), ambient_c=20.0)
        return half_turns(trace, limits=PATIENT), motor

    turns, motor = identified(BASE)
    unit = replace(UNIT, nominal_v=turns[0].supply_v)
    ways = {d: [t for t in turns if t.direction is d] for d in Direction}
    nominal = {d: nominal_of_good(mine, motor, unit) for d, mine in ways.items()}
    late, motor = identified(varied(BASE, hz=hz, **changes))
    why = why_slow(late[-1], motor, nominal[late[-1].direction])
    assert why.shares[factor].value > 0.82 * why.excess_s
    assert abs(why.unexplained.value) < 2.0 * why.unexplained.u


LATE = HalfTurn(
    1, Direction.TO_RUN, Outcome.PARKED, 0.0, half_turn_s=0.9, half_turn_u_s=0.003,
    response_s=0.01, charge_c=2.5, rest_a=0.0, supply_v=11.0,
)  # fmt: skip


@settings(max_examples=15)
@given(
    supply_v=st.floats(9.0, 14.0),
    ohm=st.floats(0.5, 1.2),
    constant=st.floats(11.0, 17.0),
    friction=st.floats(0.5, 2.0),
    charge=st.floats(1.2, 3.5),
)
def test_shares_add_up_whatever_is_swapped(supply_v, ohm, constant, friction, charge):
    nominal = replace(
        nominal_of_type(UNIT),
        load_nm=Estimate(2.0, 0.1, "N m"),
        friction_nm=Estimate(2.5, 0.1, "N m"),
        delay_s=Estimate(0.01, 0.0, "s"),
    )
    identity = replace(
        identity_of(LM_12),
        circuit_ohm=Estimate(ohm, 0.01, "ohm"),
        circuit_20c_ohm=Estimate(ohm, 0.01, "ohm"),
        emf_vs_per_rev=Estimate(constant, 0.1, "V s"),
        friction_a=Estimate(friction, 0.05, "A"),
    )
    why = why_slow(replace(LATE, supply_v=supply_v, charge_c=charge), identity, nominal)
    if why.unexplained.value is None:
        return
    shares = seconds(why)
    assert sum(shares.values()) + why.unexplained.value == pytest.approx(why.excess_s, abs=1e-9)
    # Who changes nothing gets nothing.
    assert shares[Factor.WARMTH] == pytest.approx(0.0, abs=1e-12)
    assert shares[Factor.ANSWER] == pytest.approx(0.0, abs=1e-12)
    # And with nothing changed but the supply, the supply has it all, in the right sense.
    if shares[Factor.SUPPLY]:
        assert (shares[Factor.SUPPLY] > 0.0) == (supply_v < UNIT.nominal_v)


def test_what_is_not_known_is_said(good):
    turn = replace(LATE)
    why = why_slow(turn, identity_of(LM_12), nominal_of_type(UNIT))
    assert why.shares[Factor.SUPPLY].known
    assert not why.shares[Factor.FRICTION].known
    assert "few good ones" in why.shares[Factor.FRICTION].missing
    told = sum(e.value for e in why.shares.values() if e.known)
    assert told + why.unexplained.value == pytest.approx(why.excess_s, abs=1e-12)

    lost = replace(identity_of(LM_12), circuit_ohm=unknown("ohm", "no start was seen"))
    none = why_slow(turn, lost, good[Direction.TO_RUN])
    assert none.excess_s is None
    assert none.shares[Factor.LOAD].missing == "no start was seen"
    assert at_nominal_v(turn, lost, 12.0).missing == "no start was seen"

    merged = replace(identity_of(LM_12), friction_a=unknown("A", "no half-turn without load"))
    why = why_slow(turn, merged, good[Direction.TO_RUN])
    assert why.shares[Factor.FRICTION].missing == "no half-turn without load"
    told = sum(e.value for e in why.shares.values() if e.known)
    assert told + why.unexplained.value == pytest.approx(why.excess_s, abs=1e-12)


# --- at the nominal voltage, with the motor known ------------------------------------------------


def spice_identity():
    """The netlists' LM-12: motor 0.51 ohm behind two contacts of 5 mohm (netlists/good.cir)."""
    ohm, constant, inertia, gear = 0.52, 0.0293, 22e-6, 80.0
    return replace(
        identity_of(LM_12),
        circuit_ohm=Estimate(ohm, 0.005, "ohm"),
        time_constant_s=Estimate(ohm * inertia / constant**2, 0.0005, "s"),
        emf_vs_per_rev=Estimate(constant * gear * TURN_RAD, 0.1, "V s"),
        viscous_as_per_rev=Estimate(29e-6 / constant * gear * TURN_RAD, 0.01, "A s"),
    )


@pytest.mark.parametrize("fed", ["low_supply", "good", "high_supply"])
@pytest.mark.parametrize("at", ["low_supply", "good", "high_supply"])
def test_ngspice_at_another_supply_within_one_and_a_half_percent(fed, at):
    truth = spice.true_half_turns(at)
    turns = find_half_turns(spice.trace_of(fed), spice.unit_of(fed), spice.LIMITS)
    for turn in turns[1:]:
        true = next(t for t in truth[1:] if t.direction is turn.direction)
        told = at_nominal_v(turn, spice_identity(), truth[-1].supply_v, brake_at_park=False)
        assert told.value == pytest.approx(true.half_turn_s, rel=0.015)
        assert abs(told.value - true.half_turn_s) < 2.0 * told.u + 0.002


@pytest.mark.parametrize("supply_v", [8.5, 10.0, 15.0])
@pytest.mark.parametrize("hz", [1000, 200])
def test_the_simulated_unit_at_another_supply_within_two_percent(supply_v, hz):
    there = half_turns(run(BASE)[0], limits=PATIENT)
    for turn, true in zip(
        half_turns(run(varied(BASE, supply_v=supply_v, hz=hz))[0], limits=PATIENT),
        there,
        strict=True,
    ):
        told = at_nominal_v(turn, identity_of(LM_12), true.supply_v, brake_at_park=True)
        assert told.value == pytest.approx(true.half_turn_s, rel=0.02)


def test_expected_times_are_not_all_alike():
    """The checks above would be worth little if every circuit took about as long."""
    times = [spice.true_half_turns(c)[-1].half_turn_s for c in ("low_supply", "high_supply")]
    assert times[0] > 2.0 * times[1]
    assert np.isfinite(times).all()
