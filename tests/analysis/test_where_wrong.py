"""Where a half-turn went wrong, against motors that SciPy integrated (half_turn_traces)."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from half_turn_traces import Motor, Recording, driven, trace_of, variant
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.half_turns import find_half_turns
from rig.analysis.judge import judge_half_turns
from rig.analysis.model import Limits, Reason, UnitType, Verdict, VoltageLimit
from rig.analysis.trace import CLIPPED, Trace
from rig.analysis.where_wrong import limit_moment_s, spots, stretch

UNIT = UnitType("LM-12", 12.0, 0.51, 7.36)
LIMITS = Limits(
    VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))),
    run_on_s=3.0,
    stall_s=0.4,
    rest_max_a=0.05,
    run_max_a=5.0,
    dropouts_max=0,
)
GOOD = Motor()
EDGE_S = 0.9003  # when trace_of makes its first half-turn


def wrong_spots(trace, limits=LIMITS, number=1):
    """The spots of every reason against half-turn ``number``, by measure."""
    turns = find_half_turns(trace, UNIT, limits)
    return {
        reason.measure: spots(reason, turns[number - 1], limits, trace)
        for reason in judge_half_turns(turns, limits)
        if reason.half_turn == number
    }


def changed(trace, **columns):
    return Trace(
        trace.time_s,
        columns.get("current_a", trace.current_a),
        columns.get("voltage_v", trace.voltage_v),
        trace.battery_feed,
        trace.ignition_feed,
        columns.get("flags"),
    )


@pytest.mark.parametrize("stops_at", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("hz", [200.0, 1000.0])
def test_a_stall_is_marked_where_the_lever_stopped(stops_at, hz):
    jammed = variant(GOOD, stops_at=stops_at, opens_at=inf)
    trace, _ = trace_of([jammed], Recording(hz=hz, fed_s=0.9))
    (stopped,) = wrong_spots(trace)["outcome"][:1]
    # The same motor, cut off where the other met its stop, was there at this time.
    _, _, there_s = driven(variant(GOOD, opens_at=stops_at), 5.0)
    assert stopped.text == "stands still"
    assert stopped.time_s == pytest.approx(EDGE_S + there_s, abs=0.015)


def test_what_the_rig_took_away_is_marked_too():
    trace, _ = trace_of([variant(GOOD, stops_at=0.5, opens_at=inf)], Recording(fed_s=0.9))
    cut = wrong_spots(trace)["outcome"][-1]
    assert cut.text == "feed taken away"
    assert cut.time_s == pytest.approx(EDGE_S + 0.9, abs=0.002)


def test_running_on_is_marked_where_it_should_have_parked():
    trace, _ = trace_of([variant(GOOD, opens_at=inf)], Recording(fed_s=3.4))
    (passed, cut) = wrong_spots(trace)["outcome"]
    assert (passed.text, cut.text) == ("not parked", "feed taken away")
    assert passed.time_s == pytest.approx(EDGE_S + 1.2, abs=0.02)  # the limit at about 12 V


def test_stopping_short_is_marked_at_the_early_cut_off():
    short = variant(GOOD, opens_at=0.5)
    trace, cuts = trace_of([GOOD, short], Recording())
    (cut,) = wrong_spots(trace, number=2)["outcome"]
    turn = find_half_turns(trace, UNIT, LIMITS)[1]
    assert cut.text == f"cut off at {turn.turned_deg:.0f} deg"
    assert cut.time_s == pytest.approx(turn.start_s + cuts[1], abs=0.003)


def test_slow_is_marked_at_its_park_and_the_limit_lies_before_it():
    trace, cuts = trace_of([variant(GOOD, friction_nm=0.25)], Recording())
    (late,) = wrong_spots(trace)["half_turn_s"]
    assert late.text == "parked too late"
    assert late.time_s == pytest.approx(EDGE_S + cuts[0], abs=0.003)
    (turn,) = find_half_turns(trace, UNIT, LIMITS)
    assert EDGE_S + 1.0 < limit_moment_s(turn, LIMITS) < late.time_s


def test_a_leak_is_marked_after_the_park():
    trace, cuts = trace_of([GOOD], Recording(leak_a=0.3))
    (rest,) = wrong_spots(trace)["rest_a"]
    assert rest.text == "draws at rest"
    assert EDGE_S + cuts[0] < rest.time_s < EDGE_S + cuts[0] + 0.05


def test_the_longest_dropout_is_marked():
    trace, _ = trace_of([GOOD], Recording())
    amps = trace.current_a.copy()
    for start_s, length_s in ((0.2, 0.004), (0.35, 0.02), (0.5, 0.004)):
        gap = (trace.time_s >= EDGE_S + start_s) & (trace.time_s < EDGE_S + start_s + length_s)
        amps[gap] = 0.0
    (lost,) = wrong_spots(changed(trace, current_a=amps))["dropouts"]
    assert lost.text == "current lost"
    assert lost.time_s == pytest.approx(EDGE_S + 0.35, abs=0.002)


def test_no_current_is_marked_at_the_feed_change():
    trace, _ = trace_of([GOOD], Recording(noise_a=0.003))
    still = changed(trace, current_a=trace.current_a * 0.0, voltage_v=trace.battery_feed * 12.0)
    assert wrong_spots(still)["outcome"][0].text == "fed, no current"
    assert wrong_spots(still)["outcome"][0].time_s == pytest.approx(EDGE_S, abs=0.002)


def test_a_feed_that_goes_is_marked_where_it_went():
    trace, _ = trace_of([GOOD], Recording(noise_a=0.003))
    lost = trace.time_s > EDGE_S + 0.3
    fuse = changed(
        trace,
        current_a=np.where(lost, 0.0, trace.current_a),
        voltage_v=np.where(lost, 0.0, trace.voltage_v),
    )
    (gone,) = wrong_spots(fuse)["outcome"]
    assert gone.text == "no voltage"
    assert gone.time_s == pytest.approx(EDGE_S + 0.3, abs=0.002)


def test_what_the_sensor_did_not_see_is_marked_where_it_began():
    trace, _ = trace_of([GOOD], Recording())
    (turn,) = find_half_turns(trace, UNIT, LIMITS)
    turn = replace(turn, outcome="not_measured")
    doubt = Reason(Verdict.RETEST, "", "outcome", 1)
    amps, flags = trace.current_a.copy(), np.zeros(len(trace), np.uint8)
    at = int(np.searchsorted(trace.time_s, EDGE_S + 0.2))
    amps[at : at + 50] = np.nan
    flags[at] = CLIPPED
    for shown, words in (
        (changed(trace, current_a=amps), "no reading"),
        (changed(trace, flags=flags), "beyond the sensor"),
    ):
        (spot,) = spots(doubt, turn, LIMITS, shown)
        assert (spot.text, spot.time_s) == (words, trace.time_s[at])
    assert spots(doubt, turn, LIMITS, trace)[0].text == "not measured"


def test_a_reason_that_speaks_for_the_unit_marks_nothing():
    trace, _ = trace_of([GOOD], Recording())
    (turn,) = find_half_turns(trace, UNIT, LIMITS)
    reasons = judge_half_turns((turn,), LIMITS)
    assert {reason.verdict for reason in reasons} == {Verdict.PASS}
    assert [spots(reason, turn, LIMITS, trace) for reason in reasons] == [()] * len(reasons)


def test_a_picture_reaches_from_before_the_feed_change_to_after_the_limit():
    trace, _ = trace_of([GOOD], Recording())
    (turn,) = find_half_turns(trace, UNIT, LIMITS)
    start_s, end_s = stretch(turn, LIMITS, trace)
    assert start_s < turn.start_s < turn.end_s < limit_moment_s(turn, LIMITS) < end_s


MEASURES = [
    *("outcome", "half_turn_s", "half_turn_min_s", "turned_deg", "rest_a", "run_a", "peak_a"),
    *("sag_v", "response_s", "dropouts", "longest_dropout_s", "another"),
]


@settings(max_examples=60)
@given(st.data())
def test_no_trace_whatever_raises_and_every_spot_can_be_drawn(data):
    trace, _ = trace_of([GOOD, variant(GOOD, opens_at=0.5)], Recording(hz=200.0))
    turns = find_half_turns(trace, UNIT, LIMITS)
    cut = st.integers(0, len(trace))
    first, last = sorted((data.draw(cut), data.draw(cut)))
    part = trace.rows(first, last)
    lost = data.draw(st.sampled_from([None, slice(0, None), slice(0, 50), slice(100, 300)]))
    if lost is not None:
        amps, volts = part.current_a.copy(), part.voltage_v.copy()
        amps[lost] = volts[lost] = np.nan
        part = changed(part, current_a=amps, voltage_v=volts)
    turn = replace(
        data.draw(st.sampled_from(turns)),
        outcome=data.draw(st.sampled_from(type(turns[0].outcome))),
        end_s=data.draw(st.sampled_from([None, turns[0].end_s, turns[1].end_s])),
        cut_by_rig=data.draw(st.booleans()),
    )
    reason = Reason(Verdict.FAIL, "", data.draw(st.sampled_from(MEASURES)), 1)
    for spot in spots(reason, turn, LIMITS, part):
        assert np.isfinite(spot.time_s)
        assert spot.text
