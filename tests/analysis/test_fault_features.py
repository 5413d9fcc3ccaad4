"""Features of guided tests: what they are made of, and that no trace upsets them."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.faults.features import features_of
from rig.analysis.faults.guided import TESTS
from rig.analysis.trace import LOST
from rig.isolation.drawn import Case
from rig.isolation.trial import LM_12, LM_12_LIMITS, Trial, whole_history

MEASURED = ("rest", "turns", "direct", "jam")


@cache
def trial_traces(*causes):
    with whole_history():
        trial = Trial(Case(causes, 1), spread=False, supply=(12.0, 0.01))
        return {test: trial.trace(test) for test in MEASURED}, trial.accuracy


def features(test, trace, accuracy, unit=LM_12):
    return features_of(test, trace, unit, LM_12_LIMITS, accuracy).features


def of(test, *causes):
    traces, accuracy = trial_traces(*causes)
    return features(test, traces[test], accuracy)


@pytest.mark.parametrize("test", MEASURED)
def test_a_type_with_twice_the_resistance_and_half_the_current_has_the_same_features(test):
    traces, accuracy = trial_traces()
    trace = traces[test]
    halved = replace(trace, current_a=0.5 * trace.current_a)
    doubled = replace(LM_12, winding_ohm=2.0 * LM_12.winding_ohm)
    ours = features(test, trace, accuracy)
    theirs = features(test, halved, accuracy, doubled)
    assert set(ours) == set(theirs)
    for name, value in ours.items():
        assert theirs[name] == pytest.approx(value, abs=0.02), name


def test_a_locked_winding_draws_as_much_as_its_resistance_lets_it():
    # Ohm's law: winding 0.51 ohm, leads 0.005, relay contact 0.002, warmed by some degrees.
    assert of("jam")["stall"] == pytest.approx(math.log(0.51 / 0.517), abs=0.02)
    worn = of("jam", ("worn-brushes", 0.5))["stall"]
    assert worn == pytest.approx(math.log(0.51 / 1.017), abs=0.02)


def test_an_undisturbed_series_parks_and_a_worn_track_stops_short():
    sound, short = of("turns"), of("turns", ("cam-short", 120.0))
    assert sound["run_parks"] == sound["stop_parks"] == 1.0
    assert short["run_parks"] == 0.0
    assert short["run_short"] > 0.0
    assert short["run_turned"] == pytest.approx(120.0 / 180.0, abs=0.05)


def test_a_feed_that_sags_tells_the_resistance_before_the_sensor():
    # 0.5 ohm more before the tap, in parts of 0.51 ohm.
    plain, corroded = of("turns"), of("turns", ("fuse-holder-corroded", 0.5))
    assert corroded["run_sag"] - plain["run_sag"] == pytest.approx(0.5 / 0.51, rel=0.05)


def test_a_kink_shows_as_a_hump_and_leakage_as_a_draw():
    assert abs(of("turns")["run_hump"]) < 0.02
    assert of("turns", ("binding", 6.0))["run_hump"] > 0.3
    assert abs(of("rest")["draw"]) < 0.3
    assert of("rest", ("leakage", 0.2))["draw"] == pytest.approx(
        math.asinh(800 * 0.2 * 0.51 / 12.0), abs=0.1
    )


def test_a_motor_fed_directly_shows_its_winding_whatever_the_relay_does():
    plain, dead = of("direct"), of("direct", ("relay-dead", 1.0))
    assert dead["flows"] == plain["flows"] == 1.0
    assert dead["running"] == pytest.approx(plain["running"], abs=0.02)
    assert of("direct", ("open-winding", 1.0))["flows"] == 0.0


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(MEASURED), st.data())
def test_no_trace_upsets_them(test, data):
    traces, accuracy = trial_traces()
    trace = traces[test]
    n = len(trace)
    first, last = sorted(data.draw(st.tuples(st.integers(0, n), st.integers(0, n))))
    trace = trace.rows(first, last)
    amps, volts = trace.current_a.copy(), trace.voltage_v.copy()
    for _ in range(data.draw(st.integers(0, 3))):
        a, b = sorted(data.draw(st.tuples(st.integers(0, n), st.integers(0, n))))
        amps[a:b] = data.draw(st.sampled_from((math.nan, 0.0, -3.0, 1e6)))
        volts[a:b] = data.draw(st.sampled_from((math.nan, 0.0, 40.0)))
    flags = np.where(np.isfinite(amps), 0, LOST).astype(np.uint8)
    mangled = replace(trace, current_a=amps, voltage_v=volts, flags=flags)
    found = features(test, mangled, accuracy)
    assert all(math.isfinite(value) for value in found.values())


def test_a_look_has_no_trace():
    traces, accuracy = trial_traces()
    with pytest.raises(ValueError, match="look"):
        features_of("look_earth", traces["rest"], LM_12, LM_12_LIMITS, accuracy)
    assert TESTS["look_earth"].is_look
