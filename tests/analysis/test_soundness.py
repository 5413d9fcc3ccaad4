"""What a trace shows to be wrong with the rig, and what it must not take for that.

No published source: the signs are those that no unit can give (common practice).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.model import UnitType
from rig.analysis.soundness import AtRest, at_rest, clipping, rig_trouble
from rig.analysis.trace import CLIPPED, Trace

UNIT = UnitType("LM-12", winding_ohm=0.51)
FED, TURNS, PARKED, OFF = 0.2, 0.5, 1.2, 2.0  # s


def a_step(hz=1000, noise_a=0.001, seed=1, until_s=2.3):
    """Return the columns of a step: feeds off, fed at rest, one half-turn, rest, feeds off."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, until_s, 1.0 / hz)
    fed = (time_s >= FED) & (time_s < OFF)
    turning = (time_s >= TURNS) & (time_s < PARKED)
    current_a = np.where(turning, 2.0 + 12.0 * np.exp(-(time_s - TURNS) / 0.03), 0.0)
    current_a = current_a + rng.normal(0.0, noise_a, len(time_s))
    voltage_v = np.where(fed, 12.6 - 0.05 * current_a, 0.0)
    flags = np.zeros(len(time_s), dtype=np.uint8)
    return {
        "time_s": time_s,
        "current_a": current_a,
        "voltage_v": voltage_v,
        "battery_feed": fed,
        "ignition_feed": time_s >= TURNS,
        "flags": flags,
    }


def trouble(columns, **more):
    return rig_trouble(Trace(**columns), UNIT, **more)


@pytest.mark.parametrize("hz", [200, 500, 1000, 2000])
@pytest.mark.parametrize("noise_a", [0.0, 0.001, 0.2])
def test_a_sound_step_is_sound(hz, noise_a):
    for seed in range(5):
        assert trouble(a_step(hz, noise_a, seed)) == ""


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.floats(0.05, 8.0), st.sampled_from([-1.0, 1.0]), st.floats(0.0, 2.0))
def test_a_zero_that_moves_anywhere_in_the_step_is_seen(offset_a, sign, at_s):
    columns = a_step(500)
    columns["current_a"][columns["time_s"] >= at_s] += sign * offset_a
    seen = trouble(columns)
    if at_s > 0.12:  # before that there is no zero yet to move from
        assert "zero moved by" in seen
    assert "zero moved" in trouble(columns, known=AtRest(0.0, 0.001))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.floats(1.0, 10.0), st.floats(0.25, 1.75), st.integers(0, 99))
def test_a_burst_of_noise_is_seen(sigma_a, at_s, seed):
    columns = a_step(500)
    burst = (columns["time_s"] >= at_s) & (columns["time_s"] < at_s + 0.15)
    rng = np.random.default_rng(seed)
    columns["current_a"] = columns["current_a"] + burst * rng.normal(0.0, sigma_a, len(burst))
    assert "jumped up and down" in trouble(columns)


@pytest.mark.parametrize("sigma_a", [0.3, 1.0, 3.0])
def test_noise_that_was_not_there_before_is_seen(sigma_a):
    sound, noisy = a_step(), a_step(noise_a=sigma_a)
    assert "jumped up and down" in trouble(noisy, known=at_rest(Trace(**sound)))
    alone = trouble(noisy)
    assert ("scatter by" in alone) is (sigma_a > 0.5)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.integers(1, 12), st.floats(0.002, 0.02), st.sampled_from([200, 500, 1000]), st.integers(0, 9)
)
def test_a_brush_that_opens_is_the_units(count, open_s, hz, seed):
    """The current ends and comes back, the voltage rises by what the feed's resistance took."""
    columns = a_step(hz)
    time_s = columns["time_s"]
    rng = np.random.default_rng(seed)
    for start_s in rng.uniform(TURNS + 0.05, PARKED - 0.05, count):
        gone = (time_s >= start_s) & (time_s < start_s + open_s)
        columns["current_a"][gone] = 0.0
        # The motor has slowed down meanwhile: more flows for a while.
        after = time_s >= start_s + open_s
        after &= time_s < PARKED
        columns["current_a"][after] += 1.0 * np.exp(-(time_s[after] - start_s - open_s) / 0.03)
        columns["voltage_v"][gone] = 12.6
    assert trouble(columns) == ""


def test_current_without_voltage_is_a_voltage_that_is_not_read():
    columns = a_step()
    columns["voltage_v"][columns["time_s"] > 0.8] = 0.0
    assert "was read as 0.0 V while 2.0 A flowed" in trouble(columns)


@pytest.mark.parametrize("at_s", [0.3, 0.7, 1.5])
def test_a_feed_that_opens_while_it_is_made_is_the_rigs(at_s):
    columns = a_step()
    gone = (columns["time_s"] >= at_s) & (columns["time_s"] < at_s + 0.1)
    columns["current_a"][gone] = 0.0
    columns["voltage_v"][gone] = 0.0
    assert "no voltage at the unit" in trouble(columns)


def test_a_feed_that_never_came_is_the_rigs():
    columns = a_step()
    columns["current_a"][:] = 0.0
    columns["voltage_v"][:] = 0.0
    assert "no voltage at the unit (down to 0.0 V)" in trouble(columns)


def test_a_supply_that_sags_deep_is_there():
    columns = a_step()
    columns["voltage_v"] = np.where(columns["battery_feed"], 12.6 - 0.8 * columns["current_a"], 0.0)
    # Read with every 10th sample, it lags behind the current.
    held = np.arange(len(columns["time_s"])) // 10 * 10
    columns["voltage_v"] = columns["voltage_v"][held]
    assert trouble(columns) == ""


def test_clipping_is_told_and_nothing_else_is_doubted_for_it():
    columns = a_step()
    assert clipping(Trace(**columns)) == ""
    columns["flags"][500:505] = CLIPPED
    assert "in 5 readings" in clipping(Trace(**columns))
    assert trouble(columns) == ""
