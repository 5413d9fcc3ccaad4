"""The unit's relay from its trace: coil, voltages, times, contact."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import Accuracy, Direction, HalfTurn, Outcome, UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.relay import (
    Stretch,
    Trial,
    coil_ohm,
    coil_settled,
    drop_out_v,
    extra_contact_ohm,
    pull_in_v,
    times,
    trials,
)
from rig.analysis.trace import Trace
from rig.analysis.winding import at_20c

EXACT = Accuracy(
    gain_u_rel=0.0,
    offset_u_a=0.0,
    voltage_gain_u_rel=0.0,
    voltage_offset_u_v=0.0,
    sensor_delay_u_s=0.0,
)
UNIT = UnitType("LM-12", winding_ohm=0.51)
_FILE = Path(__file__).parents[1] / "reference" / "power_relay.csv"
SHEET = {
    row["quantity"]: float(row["value"])
    for row in csv.DictReader(
        line for line in _FILE.read_text().splitlines() if not line.startswith("#")
    )
}


def rising(true_v: float, levels: list[float]) -> list[Trial | None]:
    found: list[Trial | None] = []
    for volts in levels:
        found.append(Trial(volts, volts >= true_v))
        if volts >= true_v:
            break
    return found


@given(st.floats(0.1, 11.9), st.floats(0.05, 2.0))
def test_the_pull_in_voltage_is_within_the_step(true_v: float, step_v: float) -> None:
    levels = [*np.arange(step_v, 12.0, step_v).tolist(), 12.0]
    found = pull_in_v(rising(true_v, levels), EXACT)
    assert found.value is not None
    assert found.u is not None
    assert abs(found.value - true_v) <= 0.5 * step_v + 1e-9
    assert found.u >= 0.57 * (levels[0] if true_v <= levels[0] else 1e-9)


@given(st.floats(0.1, 11.9), st.floats(0.05, 2.0))
def test_the_drop_out_voltage_is_within_the_step(true_v: float, step_v: float) -> None:
    found: list[Trial | None] = []
    for volts in np.arange(12.0, 0.0, -step_v).tolist():
        found.append(Trial(volts, volts <= true_v))
        if volts <= true_v:
            break
    measure = drop_out_v(found, EXACT)
    assert measure.value is not None
    assert abs(measure.value - true_v) <= 0.5 * step_v + 1e-9


def test_a_relay_that_answers_and_then_does_not_has_no_pull_in_voltage() -> None:
    assert pull_in_v([Trial(6.0, True), Trial(7.0, False)], EXACT).value is None
    assert pull_in_v([Trial(6.0, False)], EXACT).value is None
    assert drop_out_v([], EXACT).value is None


def trial(volts: float, *, pull_in: bool, amps: float, stale_s: float = 0.05) -> Trace:
    """One trial as the bench records it, the voltage read anew ``stale_s`` after the make."""
    time_s = np.arange(0.0, 1.0, 0.002)
    battery = (time_s >= 0.2) & (time_s < 0.8)
    ignition = time_s >= (0.5 if pull_in else -1.0)
    flows = battery & ignition & (time_s >= (0.52 if pull_in else 0.215))
    if not pull_in and not amps:
        flows[:] = False
    rng = np.random.default_rng(3)
    current_a = np.where(flows, amps, 0.0) + rng.normal(0.02, 0.004, len(time_s))
    volts_seen = np.where(battery & (time_s >= 0.2 + stale_s), volts - 0.05 * amps * flows, 0.0)
    return Trace(time_s, current_a, volts_seen, battery, ignition)


@pytest.mark.parametrize("amps", [0.0, 0.9, 4.0])
@pytest.mark.parametrize("pull_in", [True, False])
def test_a_trial_tells_voltage_and_answer(pull_in: bool, amps: float) -> None:
    trace = trial(6.93, pull_in=pull_in, amps=amps)
    [found] = trials(trace, [Stretch(pull_in, 7.0, 0.1, 0.9)], UNIT)
    assert found is not None
    assert found.flowed is (amps > 0.0)
    # A relay that lets go at once leaves nothing to read: then it is what the supply was set to.
    assert found.volts == pytest.approx(7.0 if amps and not pull_in else 6.93)


def test_a_feed_that_is_not_there_is_no_trial() -> None:
    trace = trial(0.0, pull_in=True, amps=0.0)
    assert trials(trace, [Stretch(True, 7.0, 0.1, 0.9)], UNIT) == [None]
    assert pull_in_v([None, Trial(8.0, True)], EXACT).value == 4.0


# --- coil -------------------------------------------------------------------------------------


def coil_trace(ohm: float, volts: float, offset_a: float = 0.0) -> Trace:
    time_s = np.arange(0.0, 3.0, 0.002)
    battery, ignition = time_s > 0.2, time_s > 1.0
    running = (time_s > 1.02) & (time_s < 1.8)
    current_a = np.where(running, 2.5, 0.0)
    rng = np.random.default_rng(2)
    coil_a = np.where(ignition, (volts - 0.3 * running) / ohm, 0.0) + offset_a
    coil_a += rng.normal(0.0, 5e-5, len(time_s))
    volts_seen = np.where(battery, volts - 0.05 * current_a, 0.0)
    extra = {"ignition_current_a": coil_a}
    return Trace(time_s, current_a, volts_seen, battery, ignition, None, extra)


@pytest.mark.parametrize("offset_a", [0.0, 0.004])
def test_a_data_sheets_coil_reads_its_resistance(offset_a: float) -> None:
    """85 ohm +- 10 % (TE V23234 data sheet, coil 001)."""
    coil_accuracy = Accuracy(gain_u_rel=0.005, offset_u_a=0.005)
    found = coil_ohm(coil_trace(SHEET["coil"], 12.0, offset_a), coil_accuracy, EXACT)
    assert found.value == pytest.approx(SHEET["coil"], abs=found.u)
    # Good enough to see the sheet's own tolerance.
    assert found.u < 0.2 * SHEET["coil_tolerance"] * SHEET["coil"]


def test_a_zero_that_moves_when_the_coil_is_fed_counts() -> None:
    """100 dB (INA219 data sheet) of 12 V are 120 uV, 1.2 mA in 0.1 ohm: 0.85 % of 0.141 A."""
    moves = Accuracy(0.0, 0.0, gain_u_rel=0.0, offset_u_a=0.0, fed_zero_u_a=0.0012 / 3**0.5)
    exact = coil_ohm(coil_trace(85.0, 12.0), EXACT, EXACT)
    found = coil_ohm(coil_trace(85.0, 12.0), moves, EXACT)
    assert exact.u is not None
    assert found.u == pytest.approx(2 * 0.0085 / 3**0.5 * 85.0, rel=0.1)
    assert exact.u < 0.2 * found.u


def test_no_sensor_and_no_current_are_no_resistance() -> None:
    trace = coil_trace(85.0, 12.0)
    assert coil_ohm(replace(trace, extra={}), EXACT, EXACT).value is None
    assert coil_ohm(coil_trace(1e7, 12.0), EXACT, EXACT).value is None


def test_a_coil_fed_throughout_settles_after_the_trace_begins() -> None:
    """How long it was fed before is not known, whether or not it is fed at the end."""
    whole = coil_trace(85.0, 12.0)
    first = int(np.flatnonzero(whole.ignition_feed)[0])
    fed = whole.rows(first, len(whole))
    for trace in (fed, replace(fed, ignition_feed=fed.time_s < fed.time_s[-1])):
        steady = coil_settled(trace)
        begins_s = float(trace.time_s[np.flatnonzero(steady)[0]] - trace.time_s[0])
        assert begins_s == pytest.approx(0.1, abs=0.0021)
    assert coil_settled(whole)[first:].sum() == coil_settled(fed).sum()
    assert not coil_settled(fed.rows(0, 0)).any()


def test_a_coil_is_reduced_to_20_degrees_by_coppers_coefficient() -> None:
    """IEC 60028: 1.393 times the resistance at 120 degrees Celsius."""
    assert at_20c(85.0 * 1.393, 120.0) == pytest.approx(85.0)
    assert at_20c(85.0, 20.0) == 85.0


# --- times and contact ------------------------------------------------------------------------


def turn(way: Direction, response_s: float | None, outcome: Outcome = Outcome.PARKED) -> HalfTurn:
    return HalfTurn(1, way, outcome, 0.0, response_s=response_s)


def test_times_are_those_of_half_turns_that_parked() -> None:
    turns = [
        turn(Direction.TO_RUN, 0.007),
        turn(Direction.TO_STOP, 0.002),
        turn(Direction.TO_RUN, 0.009),
        turn(Direction.TO_STOP, 0.5, Outcome.STALLED),
    ]
    operate, release = times(turns, replace(EXACT, relay_u_s=0.001), 0.001)
    assert operate.value == pytest.approx(0.008)
    assert release.value == pytest.approx(0.002)
    assert operate.u == pytest.approx(0.0021, abs=0.0002)
    assert times([], EXACT, 0.001)[0].value is None


def identity(ohm: Estimate) -> MotorIdentity:
    nothing = unknown("", "")
    return MotorIdentity(ohm, ohm, nothing, nothing, nothing, nothing, nothing)


def test_a_bad_contact_is_what_the_own_relay_adds() -> None:
    own = identity(Estimate(0.93, 0.004, "ohm"))
    good = identity(Estimate(0.78, 0.003, "ohm"))
    extra = extra_contact_ohm(own, good)
    assert extra.value == pytest.approx(0.15)
    assert extra.u == pytest.approx(0.005)
    warm = replace(own, circuit_20c_ohm=unknown("ohm", "no ambient temperature"))
    as_found = extra_contact_ohm(warm, good)
    assert as_found.value == pytest.approx(0.15)
    assert as_found.u > extra.u
    blank = identity(unknown("ohm", "no inrush was seen"))
    assert not extra_contact_ohm(blank, good).known
    assert "own relay" in extra_contact_ohm(blank, good).missing
