"""Decision rules and conformance in the terms of JCGM 106."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.analysis.checks import Check, compare
from rig.analysis.half_turn_checks import checks_of
from rig.analysis.judge import judge_measures
from rig.analysis.model import (
    Direction,
    HalfTurn,
    Limits,
    Measure,
    Outcome,
    Verdict,
    VoltageLimit,
)
from rig.quality.decision import DEFAULT_RULE, DecisionRule, Rule, conformance

PASS, FAIL, RETEST = Verdict.PASS, Verdict.FAIL, Verdict.RETEST
SIMPLE = DecisionRule(Rule.SIMPLE_ACCEPTANCE)
ACCEPT = DecisionRule(Rule.GUARDED_ACCEPTANCE)
REJECT = DecisionRule(Rule.GUARDED_REJECTION)
RULES = (DEFAULT_RULE, SIMPLE, ACCEPT, REJECT)

numbers = st.floats(-100, 100)
rules = st.builds(
    DecisionRule,
    st.sampled_from(Rule),
    st.floats(0, 3),
    st.one_of(st.none(), st.floats(0.001, 0.5)),
)


@pytest.mark.parametrize(
    ("value", "guarded", "simple", "accept", "reject"),
    [
        (1.18, PASS, PASS, PASS, PASS),
        (1.195, RETEST, PASS, FAIL, PASS),
        (1.20, RETEST, PASS, FAIL, PASS),
        (1.205, RETEST, FAIL, FAIL, PASS),
        (1.22, FAIL, FAIL, FAIL, FAIL),
    ],
)
def test_each_rule_at_a_limit_of_1_2_with_u_of_0_01(value, guarded, simple, accept, reject):
    found = [
        compare(value, 0.01, None, 1.2, rule) for rule in (DEFAULT_RULE, SIMPLE, ACCEPT, REJECT)
    ]
    assert found == [guarded, simple, accept, reject]
    mirrored = [
        compare(-value, 0.01, -1.2, None, rule) for rule in (DEFAULT_RULE, SIMPLE, ACCEPT, REJECT)
    ]
    assert mirrored == found


@given(numbers, st.floats(0, 10), st.one_of(st.none(), numbers), st.one_of(st.none(), numbers))
def test_the_default_is_guarded_both_ways_with_w_of_u(value, u, low, high):
    """As a reader of JCGM 106 would write it, limit by limit."""
    beyond = (high is not None and value > high + u) or (low is not None and value < low - u)
    inside = (high is None or value < high - u) and (low is None or value > low + u)
    near = any(
        math.isclose(value, limit + sign * u, rel_tol=1e-9, abs_tol=1e-9)
        for limit in (low, high)
        if limit is not None
        for sign in (-1, 1)
    )
    assume(not near)
    assert compare(value, u, low, high) is (FAIL if beyond else PASS if inside else RETEST)


@given(rules, numbers, st.floats(0, 10), numbers)
def test_acceptance_and_rejection_limits_are_where_verdicts_change(rule, limit, u, off):
    for is_upper in (True, False):
        low, high = (None, limit) if is_upper else (limit, None)
        outwards = 1.0 if is_upper else -1.0
        accepted = rule.acceptance_limit(limit, u, is_upper=is_upper)
        rejected = rule.rejection_limit(limit, u, is_upper=is_upper)
        assert (rejected - accepted) * outwards >= 0.0
        step = 1e-6 * (1.0 + abs(limit) + u)
        assert compare(accepted - outwards * step, u, low, high, rule) is PASS
        assert compare(rejected + outwards * step, u, low, high, rule) is FAIL
        if rule.rule is not Rule.GUARDED:
            assert accepted == rejected
            assert compare(limit + off, u, low, high, rule) is not RETEST


@given(rules, numbers, st.floats(0.01, 10))
def test_a_stated_risk_is_what_is_left_on_the_acceptance_limit(rule, limit, u):
    assume(rule.risk is not None and rule.rule is not Rule.SIMPLE_ACCEPTANCE)
    edge = rule.acceptance_limit(limit, u, is_upper=True)
    conforms = conformance(edge, u / 2, high=limit)
    wrong = conforms if rule.rule is Rule.GUARDED_REJECTION else 1.0 - conforms
    assert wrong == pytest.approx(rule.risk, rel=1e-6)


@given(rules, numbers, st.floats(0, 10), numbers, numbers)
def test_worse_never_fares_better(rule, value, u, limit, further):
    order = {FAIL: 0, RETEST: 1, PASS: 2}
    worse = value + abs(further)
    assert (
        order[compare(worse, u, None, limit, rule)] <= order[compare(value, u, None, limit, rule)]
    )


@pytest.mark.parametrize("rule", [DEFAULT_RULE, SIMPLE, ACCEPT, REJECT])
@pytest.mark.parametrize("unknown", [None, math.nan, math.inf])
def test_what_was_not_measured_is_decided_by_no_rule(rule, unknown):
    assert compare(unknown, 0.1, None, 1.0, rule) is RETEST
    if unknown is not None:
        assert compare(0.0, unknown, None, 1.0, rule) is RETEST
        with pytest.raises(ValueError, match="cannot be decided"):
            rule.passes(0.0, unknown, None, 1.0)


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability", "within"),
    [
        # Examples of JCGM 106:2012, inputs and results from memory; the results recomputed.
        (-5.47, 0.05, None, -5.40, 0.92, 0.005),  # Zener diode's breakdown voltage, V
        (509.7, 8.6, 490.0, None, 0.99, 0.005),  # bursting strength, kPa
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.005),  # kinematic viscosity
        # On the acceptance limit of a guard band w = 2 u, one-sided: normal tables.
        (8.0, 1.0, None, 10.0, 0.9772, 0.00005),
        # Specific risks of NIST-style points (limits 9 and 11, from a public test of such code).
        (10.0, 0.4, 9.0, 11.0, 1 - 0.01242, 0.00001),
        (10.5, 0.4, 9.0, 11.0, 1 - 0.10574, 0.00005),
        # Without uncertainty there is no doubt, on the limit neither.
        (10.0, 0.0, None, 10.0, 1.0, 0.0),
        (10.1, 0.0, None, 10.0, 0.0, 0.0),
        (3.0, 1.0, None, None, 1.0, 0.0),
    ],
)
def test_conformance(value, u, low, high, probability, within):
    assert conformance(value, u, low, high) == pytest.approx(probability, abs=within)


@given(numbers, st.floats(0.001, 50), numbers, numbers)
def test_conformance_is_a_probability_and_its_sides_add_up(value, u, one, other):
    low, high = sorted((one, other))
    within = conformance(value, u, low, high)
    assert 0.0 <= within <= 1.0
    below, above = conformance(value, u, high=low), conformance(value, u, low=high)
    assert within + below + above == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("rule", Rule)
def test_every_rule_is_told_in_words(rule):
    words = DecisionRule(rule).words()
    assert "k = 2" in words
    assert "JCGM 106:2012" in words
    assert str(rule).replace("_", " ") in words.lower()
    if rule is not Rule.SIMPLE_ACCEPTANCE:
        assert "w = U" in words
        assert "w = 1.5 U" in DecisionRule(rule, 1.5).words()
        told = DecisionRule(rule, risk=0.05).words()
        assert "risk of at most 5 % at its edge, as to that one limit" in told


def check(value, rule, **more):
    return Check(
        "half_turn_s", "half-turn time", "took", value, 0.01, "s", high=1.2, rule=rule, **more
    )


def test_a_value_inside_its_limit_that_fails_says_why():
    said = check(1.195, ACCEPT).sentence("Half-turn 1")
    assert check(1.195, ACCEPT).verdict is FAIL
    assert said.endswith(
        "allowed: at most 1.20 s, and the plan asks for 0.010 s of distance from that."
    )
    assert "distance" not in check(1.22, ACCEPT).sentence("Half-turn 1")


def test_the_rigs_doing_is_never_held_against_a_unit_by_any_rule():
    for rule in (DEFAULT_RULE, SIMPLE, ACCEPT, REJECT):
        assert check(1.3, rule, of_rig="Look at the supply.").verdict is RETEST
        assert check(1.0, rule, doubt="Bring the supply to nominal.").verdict is RETEST


def test_a_check_knows_how_likely_its_value_conforms():
    assert check(1.2, DEFAULT_RULE).conformance == pytest.approx(0.5)
    assert check(1.19, DEFAULT_RULE).conformance == pytest.approx(0.9772, abs=1e-4)
    # The limit's own doubt counts too.
    assert check(1.19, DEFAULT_RULE, limit_u=0.05).conformance < 0.7
    assert check(None, DEFAULT_RULE).conformance is None


SLOW_AT_12_V = Limits(VoltageLimit(((12.0, 1.2),)), stall_min_a=12.0)
WEAKLY_FED = HalfTurn(
    number=1,
    direction=Direction.TO_RUN,
    outcome=Outcome.SLOW,
    start_s=0.0,
    half_turn_s=1.3,
    half_turn_u_s=0.005,
    nominal_half_turn_s=1.195,
    nominal_half_turn_u_s=0.01,
    supply_v=11.0,
    supply_u_v=0.1,
)


@pytest.mark.parametrize(("rule", "verdict"), [(DEFAULT_RULE, RETEST), (ACCEPT, FAIL)])
def test_the_time_at_nominal_voltage_is_held_against_its_limit_by_the_same_rule(rule, verdict):
    """Slow as fed; at nominal voltage just within the limit: too near it by guarded acceptance."""
    [check] = checks_of(WEAKLY_FED, replace(SLOW_AT_12_V, rule=rule))
    assert check.verdict is verdict


@pytest.mark.parametrize(
    ("rule", "verdict"), list(zip(RULES, (RETEST, FAIL, FAIL, PASS), strict=True))
)
def test_a_measure_of_a_run_is_decided_on_by_the_rule(rule, verdict):
    low = Measure("stall_current_a", 11.95, "A", 0.1)
    [reason] = judge_measures([low], replace(SLOW_AT_12_V, rule=rule))
    assert reason.verdict is verdict
