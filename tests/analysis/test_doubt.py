"""Stated uncertainties hold, and what cannot be known of a unit is never held against it.

Truth: the armature equations integrated by scipy.integrate.solve_ivp (LSODA), not our simulator.
"""

import numpy as np
import pytest
from half_turn_traces import Motor, Recording, driven, trace_of, variant
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.half_turns import find_half_turns
from rig.analysis.judge import combine, judge_half_turns
from rig.analysis.model import Accuracy, Limits, UnitType, Verdict, VoltageLimit
from rig.analysis.rest import rest_draw
from rig.analysis.trace import Trace

UNIT = UnitType("LM-12", 12.0, 0.51, 7.36)
LIMITS = Limits(
    VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))), run_on_s=3.0, stall_s=0.4, rest_max_a=0.05
)
EXACT = Accuracy(gain_u_rel=0.0, offset_u_a=0.0, voltage_gain_u_rel=0.0)
GOOD = Motor()
SOURCE_OHM = 0.03  # of `trace_of`


def changed(trace, *, current_a=None, voltage_v=None, off_s=0.0):
    """Return a trace with other readings, and without its feed for the last ``off_s``."""
    current_a = trace.current_a if current_a is None else current_a
    fed = trace.battery_feed & (trace.time_s < trace.time_s[-1] - off_s)
    voltage_v = trace.voltage_v if voltage_v is None else voltage_v
    return Trace(trace.time_s, current_a, voltage_v, fed, trace.ignition_feed)


def verdict_of(trace):
    turns = find_half_turns(trace, UNIT, LIMITS)
    return combine(judge_half_turns(turns, LIMITS)).verdict, turns


@settings(max_examples=60)
@given(
    st.floats(200.0, 2000.0),
    st.sampled_from([9.0, 12.0, 15.5]),
    st.sampled_from([5e-6, 1.5e-5, 4e-5]),
    st.integers(1, 10),
)
def test_peak_and_sag_lie_within_their_uncertainty(hz, supply_v, inertia, every):
    motor = variant(GOOD, supply_v=supply_v, inertia=inertia)
    trace, _ = trace_of([motor, motor], Recording(hz=hz, noise_a=0.0))
    row = np.arange(len(trace))
    trace = changed(trace, voltage_v=trace.voltage_v[row - row % every])
    peak_a = float(driven(motor, 5.0)[1].max())
    for turn in find_half_turns(trace, UNIT, LIMITS, EXACT):
        assert abs(turn.peak_a - peak_a) <= turn.peak_u_a
        assert abs(turn.sag_v - SOURCE_OHM * peak_a) <= turn.sag_u_v


@settings(max_examples=25)
@given(st.floats(0.05, 0.75), st.sampled_from([200.0, 500.0, 1000.0]))
def test_a_unit_that_stood_between_its_ends_at_first_is_not_failed_for_it(part, hz):
    trace, _ = trace_of([variant(GOOD, opens_at=part), GOOD], Recording(hz=hz))
    verdict, turns = verdict_of(trace)
    assert [str(turn.outcome) for turn in turns] == ["not_measured", "parked"]
    assert verdict is Verdict.RETEST


@settings(max_examples=15)
@given(st.floats(0.05, 0.5), st.sampled_from([200.0, 500.0, 1000.0]))
def test_nor_if_the_next_half_turn_that_would_tell_was_not_seen(part, hz):
    trace, _ = trace_of([variant(GOOD, opens_at=part)], Recording(hz=hz))
    verdict, turns = verdict_of(trace)
    assert [str(turn.outcome) for turn in turns] == ["not_measured"]
    assert verdict is Verdict.RETEST


@settings(max_examples=15)
@given(st.floats(0.1, 0.6), st.sampled_from([200.0, 500.0, 1000.0]))
def test_one_that_stops_short_and_makes_up_for_it_stops_short(part, hz):
    motors = [variant(GOOD, opens_at=part), variant(GOOD, opens_at=2.0 - part)]
    verdict, turns = verdict_of(trace_of(motors, Recording(hz=hz))[0])
    assert str(turns[0].outcome) == "stops_short"
    assert verdict is Verdict.FAIL


@given(st.floats(0.0, 3.3), st.sampled_from([0.06, 0.1, 0.3, 1.0, -0.1, -1.0]))
def test_a_zero_that_moves_under_way_never_fails_a_sound_unit(from_s, offset_a):
    trace, _ = trace_of([GOOD, GOOD], Recording(hz=500.0, noise_a=0.002))
    readings_a = trace.current_a + offset_a * (trace.time_s > from_s)
    verdict, _ = verdict_of(changed(trace, current_a=readings_a, off_s=0.15))
    assert verdict is not Verdict.FAIL


def test_the_same_without_it_passes():
    trace, _ = trace_of([GOOD, GOOD], Recording(hz=500.0, noise_a=0.002))
    assert verdict_of(changed(trace, off_s=0.15))[0] is Verdict.PASS


@given(st.floats(1.0, 3.3), st.floats(0.15, 12.0), st.integers(0, 99))
def test_a_sensor_that_grows_noisy_never_fails_a_sound_unit(from_s, noise_a, seed):
    trace, _ = trace_of([GOOD, GOOD], Recording(hz=500.0, noise_a=0.002))
    noise = np.random.default_rng(seed).normal(0.0, noise_a, len(trace))
    readings_a = trace.current_a + noise * (trace.time_s > from_s)
    assert verdict_of(changed(trace, current_a=readings_a))[0] is not Verdict.FAIL


def test_a_negative_current_at_rest_passes_nothing():
    trace, _ = trace_of([GOOD, GOOD], Recording(hz=500.0, noise_a=0.002))
    readings_a = trace.current_a - 0.5 * (trace.time_s > 0.6)
    verdict, turns = verdict_of(changed(trace, current_a=readings_a))
    assert [turn.rest_a for turn in turns] == [None, None]
    assert verdict is Verdict.RETEST


@pytest.mark.parametrize("noise_a", [0.01, 0.05])
def test_a_rest_draw_is_as_uncertain_as_the_zero_that_is_taken_off(noise_a):
    outside = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        time_s = np.arange(0.0, 0.5, 0.005)
        fed = (time_s > 0.15) & (time_s < 0.4)
        trace = Trace(time_s, rng.normal(0.0, noise_a, len(time_s)), 12.0 * fed, fed, fed & False)
        found = rest_draw(trace.between(0.16, 0.39), EXACT, trace)
        outside += found.value is None or abs(found.value) > found.u
    assert outside <= 10  # of 100, where k = 2 lets 5 be outside
