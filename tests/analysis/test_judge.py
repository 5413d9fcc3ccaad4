"""From measures and limits to a verdict.

The rule is guarded acceptance and guarded rejection with a guard band of the expanded uncertainty
(JCGM 106:2012; its own text was not seen, the example below is from memory with its arithmetic
verified).
"""

from dataclasses import replace
from math import erf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.judge import (
    combine,
    compare,
    judge_half_turns,
    judge_measures,
    measure_check,
    one_line_a_pass,
)
from rig.analysis.model import (
    Direction,
    HalfTurn,
    Limits,
    Measure,
    Outcome,
    Reason,
    Verdict,
    VoltageLimit,
)

LIMITS = Limits(
    VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))),
    rest_max_a=0.05,
    run_max_a=5.0,
    peak_max_a=25.0,
    sag_max_v=1.5,
    dropouts_max=0,
    stall_min_a=12.0,
    stall_max_a=20.0,
)
PARKED = HalfTurn(
    number=3,
    direction=Direction.TO_RUN,
    outcome=Outcome.PARKED,
    start_s=1.0,
    end_s=1.7,
    half_turn_s=0.7,
    half_turn_u_s=0.003,
    peak_a=13.0,
    peak_u_a=0.2,
    run_a=2.0,
    run_u_a=0.05,
    rest_a=0.0,
    rest_u_a=0.01,
    supply_v=12.0,
    sag_v=0.4,
    sag_u_v=0.01,
    turned_deg=180.0,
)
VALUES = st.floats(-100, 100)


@given(VALUES, st.floats(0, 50), VALUES)
def test_pass_means_met_by_more_than_u_and_fail_means_broken_by_more(value, u, high):
    verdict = compare(value, u, None, high)
    if verdict is Verdict.PASS:
        assert value + u < high
    elif verdict is Verdict.FAIL:
        assert value - u > high
    else:
        assert value - u <= high <= value + u


@given(VALUES, st.floats(0, 50), VALUES)
def test_a_lower_limit_is_an_upper_one_seen_in_a_mirror(value, u, low):
    assert compare(value, u, low, None) is compare(-value, u, None, -low)


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_what_was_not_measured_is_neither_pass_nor_fail(value):
    assert compare(value, 0.1, 0.0, 1.0) is Verdict.RETEST


def test_a_pass_at_the_edge_of_the_guard_band_conforms_with_97_7_percent():
    # JCGM 106: guard band w = U = 2u, one-sided, a result on the acceptance limit: 0.9772.
    u, limit = 0.5, 10.0
    on_the_edge = limit - 2 * u
    assert compare(on_the_edge - 1e-9, 2 * u, None, limit) is Verdict.PASS
    assert compare(on_the_edge + 1e-9, 2 * u, None, limit) is Verdict.RETEST
    assert 0.5 * (1 + erf((limit - on_the_edge) / u / sqrt(2))) == pytest.approx(0.9772, abs=5e-5)


def verdict_of(**changes):
    return combine(judge_half_turns((replace(PARKED, **changes),), LIMITS))


def test_a_sound_half_turn_passes_and_says_what_was_looked_at():
    judged = verdict_of()
    assert judged.verdict is Verdict.PASS
    assert {reason.measure for reason in judged.reasons} >= {"half_turn_s", "rest_a", "run_a"}


@pytest.mark.parametrize(
    ("changes", "measure", "words"),
    [
        (
            {"half_turn_s": 1.84},
            "half_turn_s",
            ["1.840 s ± 0.003 s", "at 12.0 V", "1.200 s ± 0.015 s"],
        ),
        ({"rest_a": 0.2}, "rest_a", ["0.200 A ± 0.010 A", "0.050 A"]),
        ({"run_a": 6.0}, "run_a", ["6.00 A ± 0.05 A", "5.00 A"]),
        ({"peak_a": 30.0}, "peak_a", ["30.0 A ± 0.2 A", "25.00 A"]),
        ({"dropouts": 4}, "dropouts", ["4 times", "0"]),
    ],
)
def test_a_violation_fails_and_names_measure_value_limit_and_half_turn(changes, measure, words):
    judged = verdict_of(**changes)
    assert judged.verdict is Verdict.FAIL
    (reason,) = [r for r in judged.reasons if r.verdict is Verdict.FAIL]
    assert reason.measure == measure
    assert reason.half_turn == 3
    assert "Half-turn 3 (to run)" in reason.text
    assert all(word in reason.text for word in words)


@pytest.mark.parametrize(
    ("outcome", "verdict"),
    [
        (Outcome.STALLED, Verdict.FAIL),
        (Outcome.RUNS_ON, Verdict.FAIL),
        (Outcome.STOPS_SHORT, Verdict.FAIL),
        (Outcome.NO_MOVEMENT, Verdict.FAIL),
        (Outcome.NO_FEED, Verdict.RETEST),
        (Outcome.NOT_MEASURED, Verdict.RETEST),
    ],
)
def test_each_outcome_speaks_for_its_verdict(outcome, verdict):
    assert verdict_of(outcome=outcome, half_turn_s=None).verdict is verdict


def test_a_feed_that_falls_too_far_is_the_rigs_to_mend():
    judged = verdict_of(sag_v=3.0)
    assert judged.verdict is Verdict.RETEST
    assert "fuse holder" in judged.reasons[0].text


def test_an_angle_that_nothing_confirms_is_no_pass():
    assert verdict_of(turned_deg=119.0).verdict is Verdict.RETEST


def test_the_limits_own_uncertainty_widens_the_band_and_not_the_measurements():
    # 1.19 s is below 1.20 s by more than the time's 0.003 s, but the limit follows the voltage by
    # 0.2 s/V and the voltage is known to 0.12 V.
    judged = verdict_of(half_turn_s=1.19)
    assert judged.verdict is Verdict.RETEST
    assert "1.190 s ± 0.003 s" in judged.reasons[0].text


def test_no_half_turn_at_all_is_a_retest():
    assert combine(judge_half_turns((), LIMITS)).verdict is Verdict.RETEST
    assert combine(()).verdict is Verdict.RETEST


@pytest.mark.parametrize(
    ("value", "verdict", "words"),
    [
        (11.0, Verdict.FAIL, "allowed: 12.00 A to 20.00 A"),
        (15.0, Verdict.PASS, "allowed: 12.00 A to 20.00 A"),
        (21.0, Verdict.FAIL, "allowed: 12.00 A to 20.00 A"),
    ],
)
def test_a_measure_between_two_limits(value, verdict, words):
    (reason,) = judge_measures([Measure("stall_current_a", value, "A", 0.1)], LIMITS)
    assert reason.verdict is verdict
    assert words in reason.text


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("relay_drop_out_v", 2.63, "is 2.6 V ± 0.2 V; allowed: at least 1.20 V."),
        ("relay_drop_out_v", 0.5, "is 0.5 V ± 0.2 V; allowed: at least 1.20 V."),
        ("lowest_supply_v", 7.0, "is 7.0 V ± 0.2 V; allowed: at most 9.00 V."),
    ],
)
def test_a_sentence_says_on_which_side_of_its_limit_a_value_may_be(name, value, words):
    limits = replace(LIMITS, drop_out_min_v=1.2, lowest_supply_max_v=9.0)
    (reason,) = judge_measures([Measure(name, value, "V", 0.2)], limits)
    assert words in reason.text


def test_what_passed_several_times_is_one_line_with_the_closest():
    limits = replace(LIMITS, rest_max_a=0.05)
    rests = [Measure("rest_draw_a", value, "A", 0.01) for value in (0.0, 0.03, 0.01)]
    other = Reason(Verdict.PASS, "The housing is whole.", "housing")
    found = one_line_a_pass([*judge_measures(rests, limits), other], rests, limits)
    assert [reason.text for reason in found] == [
        "Rest draw within the limit all 3 times; closest: 0.030 A ± 0.010 A, "
        "allowed: at most 0.050 A.",
        "The housing is whole.",
    ]
    # One that did not pass is told by itself, and what passed once stays a sentence.
    over = Measure("rest_draw_a", 0.2, "A", 0.01)
    found = one_line_a_pass(judge_measures([over, rests[0]], limits), [over, rests[0]], limits)
    assert [reason.verdict for reason in found] == [Verdict.FAIL, Verdict.PASS]
    assert found[1].text == "The rest draw is 0.000 A ± 0.010 A; allowed: at most 0.050 A."


def test_a_measure_without_a_limit_is_not_judged():
    limits = replace(LIMITS, rest_max_a=None)
    assert judge_measures([Measure("rest_draw_a", 9.0, "A", 0.1)], limits) == ()


@given(st.lists(st.sampled_from(list(Verdict)), min_size=1))
def test_the_worst_reason_decides_and_comes_first(verdicts):
    judged = combine([Reason(verdict, "text") for verdict in verdicts])
    order = [Verdict.FAIL, Verdict.RETEST, Verdict.PASS]
    assert judged.verdict is min(verdicts, key=order.index)
    assert judged.reasons[0].verdict is judged.verdict


def test_a_value_is_found_in_the_sentences_of_older_records_too():
    limits = replace(LIMITS, rest_max_a=0.05)
    check = measure_check(Measure("rest_draw_a", 0.314, "A", 0.01), limits)
    assert check.is_told_in(check.sentence("The rest draw"))
    assert check.is_told_in("The rest draw is 0.314 A ± 0.010 A; the limit is 0.050 A.")
    assert not check.is_told_in("The rest draw is 1.314 A ± 0.010 A; the limit is 0.050 A.")
    assert not check.is_told_in("The rest draw is 0.3140 A; the limit is 0.050 A.")
