"""A station's budgets: one with what the analysis uses, and as large as the errors truly are."""

import math
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from uuid import UUID

import drawn_rigs
import numpy as np
import pytest
import spice
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.half_turn_checks import checks_of
from rig.analysis.half_turns import find_half_turns
from rig.analysis.measures import current_u_a
from rig.plans import find_plan, load_plan, plan_from_text
from rig.quality.budget import Source
from rig.quality.budget_words import component_rows, limit_row, result_words
from rig.quality.calibration import (
    Calibration,
    CalibrationState,
    Correction,
    Line,
    Quantity,
    Setup,
    Standing,
)
from rig.quality.decision import COVERAGE, Rule
from rig.quality.uncertainty import (
    accuracy_of,
    budgets_of,
    coil_accuracy_of,
    decision_words,
    instrument_of,
)
from rig.settings import settings_from_text, starter_text

QUALIFY = load_plan(find_plan("qualify", ()))
STATED = 'sensor_grade = "A"     #', "shunt_tolerance = 0.01 #", "shunt_ppm_per_k = 100  #"


def station(*changes):
    text = starter_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return settings_from_text(text, Path("rig.toml")).station()


STARTER = station()


RIG = Setup("rig", "A", "pi", False, 1, 0x40, 0.005, 0.32)


def stands(current=(0.001, 0.002), voltage=(0.0008, 0.003), setup=RIG):
    """A station with a calibration in force: u of gain and offset of each quantity."""
    today = date(2026, 11, 1)
    lines = {
        quantity: Line(quantity, Correction(gain_u=u[0], offset_u=u[1]), (), (), Correction())
        for quantity, u in ((Quantity.CURRENT, current), (Quantity.VOLTAGE, voltage))
        if u is not None
    }
    made = Calibration(
        UUID(int=1),
        datetime(2026, 10, 1, tzinfo=UTC),
        date(2027, 10, 1),
        "R. Vale",
        setup,
        (),
        lines[Quantity.CURRENT],
        lines.get(Quantity.VOLTAGE),
    )
    return Standing(CalibrationState.IN_FORCE, False, today, made)


NEVER = Standing(CalibrationState.NEVER, False, date(2026, 11, 1))
CALIBRATED = stands()


def shares(budget):
    return {c.name: budget.share(c) for c in budget.components}


# --- one with what is judged by -----------------------------------------------------------------

wirings = st.builds(
    lambda ohm, watts, grade, tolerance, ppm, gain_u, offset_u, hz: [
        ("shunt_ohm = 0.005", f"shunt_ohm = {ohm}"),
        ("shunt_w = 5 ", f"shunt_w = {watts} "),
        ('sensor_grade = "A"     #', f'sensor_grade = "{grade}" #' if grade else "#"),
        ("shunt_tolerance = 0.01 #", f"shunt_tolerance = {tolerance} #"),
        ("shunt_ppm_per_k = 100  #", f"shunt_ppm_per_k = {ppm} #"),
        ("# gain_u_rel = 0.002", f"gain_u_rel = {gain_u}" if gain_u is not None else "#"),
        ("# offset_u_a = 0.002", f"offset_u_a = {offset_u}" if offset_u is not None else "#"),
        ("sample_hz = 1000", f"sample_hz = {hz}"),
    ],
    st.sampled_from([0.001, 0.002, 0.005, 0.008]),
    st.sampled_from([3, 10]),
    st.sampled_from(["A", "B", None]),
    st.sampled_from([0.0, 0.005, 0.05]),
    st.integers(0, 500),
    st.none() | st.floats(0, 0.1).map(lambda x: round(x, 6)),
    st.none() | st.floats(0, 1).map(lambda x: round(x, 6)),
    st.integers(400, 2000),
)
calibrations = st.sampled_from([None, CALIBRATED, stands(voltage=None), NEVER])


@settings(deadline=None, max_examples=40)
@given(wirings, calibrations, st.floats(0, 25), st.floats(5, 16), st.floats(0.05, 20))
def test_budget_and_analysis_never_disagree(wiring, standing, current_a, voltage_v, time_s):
    rig = station(*wiring)
    instrument = instrument_of(rig, QUALIFY, standing)
    accuracy = accuracy_of(rig, QUALIFY, standing)
    noise_a = math.sqrt(2) * instrument.current.scatter_part("", 100).standard_u
    current = instrument.current_budget(current_a)
    assert current.expanded_u == pytest.approx(current_u_a(current_a, accuracy, noise_a))
    unzeroed = instrument.current_budget(current_a, zeroed=False)
    scatter_a = math.hypot(noise_a / math.sqrt(2), accuracy.unzeroed_u_a)
    assert unzeroed.expanded_u == pytest.approx(current_u_a(current_a, accuracy, scatter_a))
    voltage = instrument.voltage_budget(voltage_v)
    assert voltage.expanded_u == pytest.approx(COVERAGE * accuracy.voltage_u_v(voltage_v))
    ends_s = math.sqrt(2 / 12) / rig.sample_hz
    time = instrument.time_budget(time_s)
    own_u_s = COVERAGE * math.hypot(accuracy.time_u_s(time_s), ends_s)
    assert time.expanded_u == pytest.approx(own_u_s)


def test_a_recorded_half_turn_is_known_as_well_as_the_budget_says():
    """Of a quiet trace on the starter rig, at what it measured."""
    rig = drawn_rigs.DrawnRig(0, 0, 0, 0, 0, 0, 0)
    instrument = instrument_of(STARTER, QUALIFY)
    found = find_half_turns(
        rig.sees("good"), spice.unit_of("good"), spice.LIMITS, accuracy_of(STARTER, QUALIFY)
    )
    assert found
    for turn in found:
        pairs = (
            (turn.half_turn_u_s, instrument.time_budget(turn.half_turn_s)),
            (turn.run_u_a, instrument.current_budget(turn.run_a)),
            (turn.rest_u_a, instrument.current_budget(turn.rest_a)),
            (turn.supply_u_v, instrument.voltage_budget(turn.supply_v)),
        )
        for u, budget in pairs:
            assert u == pytest.approx(budget.expanded_u, rel=0.06)
        assert turn.half_turn_u_s <= pairs[0][1].expanded_u  # the cut-off may be placed better


# --- as large as the errors are -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("standing", "gain_u", "circuit"),
    [(None, None, "slow_friction"), (stands(voltage=None), 0.001, "good")],
)
def test_u_holds_the_truth_for_nineteen_of_twenty_drawn_rigs(standing, gain_u, circuit):
    """Truth: ngspice's own nodes.  Errors drawn within data sheet (TI SBOS448) and rig file."""
    accuracy = accuracy_of(STARTER, QUALIFY, standing)
    parts = defaultdict(list)
    for rig in drawn_rigs.draw(120, seed=11, gain_u=gain_u):
        one = {}  # a rig's half-turns share its errors: one of each counts
        for name, part in drawn_rigs.errors_of(rig, circuit, accuracy):
            one.setdefault(name, part)
        for name, part in one.items():
            parts[name].append(part)
    assert {"half_turn_s", "run_a", "rest_a", "supply_v"} == set(parts)
    for name, of_u in parts.items():
        assert np.mean(np.array(of_u) <= 1.0) >= 0.95, name
        # And no larger than it need be: the errors' spread is what u says (k = 2).
        assert COVERAGE * math.sqrt(np.mean(np.square(of_u))) == pytest.approx(1.0, abs=0.12), name


def test_a_resistance_by_draws_of_its_voltage_and_current():
    """JCGM 101's method on the measuring itself: a shunt that is off, a chip that is off, steps."""
    limit = next(x for x in budgets_of(STARTER, QUALIFY).limits if x.key == "winding_max_ohm")
    ohm, rng, n = limit.limit, np.random.default_rng(2), 200_000
    volts, amps = 12.0, 12.0 / ohm
    warm_k = rng.uniform(-10, 10, n) * 100e-6 + rng.uniform(-1, 1, n) * 100e-6 * (
        100.0 * amps**2 * 0.005 / 5
    )
    shunt = 0.005 * (1 + rng.uniform(-0.01, 0.01, n)) * (1 + warm_k)
    at_chip_v = amps * shunt * (1 + rng.uniform(-0.01, 0.01, n))
    at_chip_v += (rng.uniform(-0.01, 0.01, n) + rng.uniform(-2e-4, 2e-4, n)) * 0.005
    zero_v = rng.uniform(-2e-4, 2e-4, n)
    read_a = (np.round((at_chip_v + zero_v) / 1e-5) - np.round(zero_v / 1e-5)) * 1e-5 / 0.005
    aged_v = volts * (1 + rng.uniform(-0.01, 0.01, n)) + rng.uniform(-0.005, 0.005, n)
    read_v = np.round((aged_v + rng.uniform(-0.5, 0.5, n) * 0.016) / 0.016) * 0.016
    off = read_v / read_a - ohm
    # The dithered rounding above scatters twice as much as rounding alone: nothing beside 1 %.
    assert off.std() == pytest.approx(limit.budget.standard_u, rel=0.01)
    assert np.mean(np.abs(off) <= limit.expanded_u) >= 0.95


def test_a_long_time_is_uncertain_by_the_clock():
    """550 ppm of 20 s, rectangular: Linux slews by 500 ppm at most (adjtimex), a crystal by 50."""
    accuracy = accuracy_of(STARTER, QUALIFY)
    more_s = math.sqrt(accuracy.time_u_s(20.0) ** 2 - accuracy.time_u_s(0.0) ** 2)
    assert more_s == pytest.approx(20.0 * 550e-6 / math.sqrt(3))


# --- what rig file and calibration do -------------------------------------------------------------


def test_an_old_rig_file_is_not_more_certain_than_it_was():
    """What was taken before budgets were: 0.5 % and 5 mA, 0.5 % and 4 mV, 1.5 ms, all standard."""
    silent = station(*((line, "#") for line in STATED), ('sensor_grade = "A"\n', "\n"))
    declared = station(
        ("# gain_u_rel = 0.002", "gain_u_rel = 0.005"),
        ("# offset_u_a = 0.002", "offset_u_a = 0.005"),
        *((line, "#") for line in STATED),
    )
    for rig in (silent, declared, STARTER):
        accuracy = accuracy_of(rig, QUALIFY)
        assert accuracy.gain_u_rel >= 0.005
        assert accuracy.offset_u_a >= 0.005
        assert accuracy.voltage_gain_u_rel >= 0.005
        assert accuracy.voltage_offset_u_v >= 0.004
        assert accuracy.time_u_s(0.0) >= math.hypot(0.0015, 0.0002)
    coil = coil_accuracy_of(silent)
    assert coil.gain_u_rel >= 0.005
    assert coil.offset_u_a >= 0.005
    # What it does not say is taken at its worst: a chip of grade A.
    assert accuracy_of(silent, QUALIFY) == replace(
        accuracy_of(STARTER, QUALIFY), fed_zero_u_a=accuracy_of(silent, QUALIFY).fed_zero_u_a
    )


def test_each_declared_value_does_what_it_says():
    plain = accuracy_of(STARTER, QUALIFY)
    better_chip = accuracy_of(station((STATED[0], 'sensor_grade = "B" #')), QUALIFY)
    better_shunt = accuracy_of(station((STATED[1], "shunt_tolerance = 0.001 #")), QUALIFY)
    colder = accuracy_of(station((STATED[2], "shunt_ppm_per_k = 10 #")), QUALIFY)
    # Rectangular limits of 1 % (chip, over temperature) and 1 % (shunt); TI SBOS448: B 0.5 %.
    assert plain.gain_u_rel == pytest.approx(math.hypot(1, 1, 0.1) / 100 / math.sqrt(3))
    assert better_chip.gain_u_rel == pytest.approx(math.hypot(0.5, 1, 0.1) / 100 / math.sqrt(3))
    assert better_shunt.gain_u_rel == pytest.approx(math.hypot(1, 0.1, 0.1) / 100 / math.sqrt(3))
    assert colder.gain_u_per_a2 == pytest.approx(plain.gain_u_per_a2 / 10)
    # 33 A in 5 mohm need the range of 320 mV: an offset of 200 uV there, 100 uV of grade B.
    assert plain.unzeroed_u_a == pytest.approx(0.040 / math.sqrt(3))
    assert better_chip.unzeroed_u_a == pytest.approx(0.020 / math.sqrt(3))


def test_a_calibration_takes_the_data_sheets_place_where_it_stands():
    plain, made = budgets_of(STARTER, QUALIFY), budgets_of(STARTER, QUALIFY, CALIBRATED)
    assert made.calibrated
    assert not plain.calibrated
    assert not any("chip's gain, grade" in c.name for c in made.current.components)
    assert any(c.source is Source.CALIBRATION for c in made.current.components)
    assert made.current.expanded_u < 0.3 * plain.current.expanded_u
    assert made.voltage.expanded_u < 0.3 * plain.voltage.expanded_u
    assert made.time.expanded_u == plain.time.expanded_u
    # The shunt still warms, and the zero with the feed made is still that of R4.
    left = shares(made.current)
    assert left["shunt with the room's temperature"] > 0
    assert left["zero with the feed made"] > 0
    accuracy = accuracy_of(STARTER, QUALIFY, CALIBRATED)
    assert accuracy.unzeroed_u_a == 0.002
    assert budgets_of(STARTER, QUALIFY, NEVER) == plain
    # The chip's offset differs from range to range (TI SBOS448G); the gain does not.
    other = accuracy_of(STARTER, QUALIFY, stands(setup=replace(RIG, range_v=0.16)))
    assert other.gain_u_rel == accuracy.gain_u_rel
    assert other.unzeroed_u_a == accuracy_of(STARTER, QUALIFY).unzeroed_u_a


@settings(deadline=None, max_examples=60)
@given(
    st.floats(0.96, 1.04),
    st.floats(-0.1, 0.1),
    st.floats(1e-4, 0.01),
    st.floats(1e-3, 0.1),
    st.floats(-0.999, 0.999),
    st.floats(4.0, 16.0),
)
def test_a_calibrated_voltages_gain_and_offset_count_together(
    gain, offset, gain_u, offset_u, rho, volts
):
    """JCGM 100:2008, 5.2.2: three supply points leave both correlated by 0.96, and uncorrelated
    they would make 12.8 V four times as uncertain as it is.
    """
    correction = Correction(gain, offset, gain_u, offset_u, rho * gain_u * offset_u)
    stood = stands()
    line = replace(stood.calibration.voltage, correction=correction)
    standing = replace(stood, calibration=replace(stood.calibration, voltage=line))
    instrument = instrument_of(STARTER, QUALIFY, standing)
    of_calibration = [
        component.contribution
        for component in instrument.voltage_budget(volts).components
        if component.source is Source.CALIBRATION
    ]
    reading = volts / gain + offset
    assert math.hypot(*of_calibration) == pytest.approx(correction.u(reading), rel=1e-6)
    told = accuracy_of(STARTER, QUALIFY, standing).voltage_u_v(volts)
    assert told == pytest.approx(instrument.voltage_budget(volts).standard_u)


def test_a_noise_that_was_measured_is_of_type_a_and_counts_its_readings():
    guessed, noisy = budgets_of(STARTER, QUALIFY), budgets_of(STARTER, QUALIFY, noise_a=0.5)
    assert {c.kind for c in guessed.current.components} == {"B"}
    [readings] = [c for c in noisy.current.components if c.name == "noise of the readings"]
    # The median of 100 normal readings scatters by 1.253 / 10 of one (root of pi / 2).
    assert (readings.kind, readings.dof) == ("A", 99)
    assert readings.standard_u == pytest.approx(0.5 * 0.12533, rel=1e-4)
    assert noisy.current.k > 2.0


def test_a_limits_u_is_the_one_that_is_decided_by():
    """Checks take k = 2 whatever a value rests on, and so do the edges that are told."""
    for limit in budgets_of(STARTER, QUALIFY, noise_a=0.5).limits:
        assert limit.expanded_u == COVERAGE * limit.budget.standard_u


def test_what_nobody_declared_is_not_called_declared():
    def sources(rig):
        instrument = instrument_of(rig, QUALIFY)
        parts = (*instrument.current.offset_parts(), instrument.time.relay_part())
        return {c.name: c.source for c in parts}

    zero, delay = "zero with the feed made", "feed relay's delay"
    for rig in (STARTER, station(("delay_u_s = 0.0015", "#"))):
        assert sources(rig)[zero] is sources(rig)[delay] is Source.GUESS
    own = station(("delay_u_s = 0.0015", "delay_u_s = 0.0004"), ("# offset_u_a", "offset_u_a"))
    assert sources(own)[zero] is sources(own)[delay] is Source.DECLARED


def test_a_trace_without_a_zero_is_known_no_better_than_the_chips_offset():
    accuracy = accuracy_of(STARTER, QUALIFY)
    whole = drawn_rigs.DrawnRig(0, 0, 0, 0, 0, 0, 0).sees("good")
    first = int(np.flatnonzero(whole.battery_feed)[0])
    fed = whole.rows(first + 5, len(whole))
    assert fed.battery_feed.all()
    unit, limits = spice.unit_of("good"), spice.LIMITS
    seen, unseen = (find_half_turns(t, unit, limits, accuracy)[0] for t in (whole, fed))
    offset_u_a = 2 * 0.040 / math.sqrt(3)  # 200 uV in 5 mohm (TI SBOS448, A grade, PGA /8)
    assert unseen.rest_u_a == pytest.approx(math.hypot(seen.rest_u_a, offset_u_a), rel=0.01)
    assert unseen.run_u_a == pytest.approx(math.hypot(seen.run_u_a, offset_u_a), rel=0.01)


def test_a_voltage_known_badly_widens_the_band_of_a_limit_that_follows_it():
    turn = find_half_turns(
        drawn_rigs.DrawnRig(0, 0, 0, 0, 0, 0, 0).sees("good"),
        spice.unit_of("good"),
        spice.LIMITS,
        accuracy_of(STARTER, QUALIFY),
    )[0]
    told = []
    for u_v in (0.01, 1.0, None):
        [check] = [
            check
            for check in checks_of(replace(turn, supply_u_v=u_v), spice.LIMITS)
            if check.measure == "half_turn_s"
        ]
        told.append(check.limit_u)
    # 0.05 s/V between 12 V and 16 V.
    assert told[0] == pytest.approx(0.05 * 0.01, rel=0.01)
    assert told[1] > 50 * told[0]
    assert told[2] == pytest.approx(0.05 * 0.01 * turn.supply_v, rel=0.01)  # recorded without it


# --- what is shown ------------------------------------------------------------------------------


def test_every_limit_that_is_held_against_a_value_has_its_budget():
    told = {limit.key for limit in budgets_of(STARTER, QUALIFY).limits}
    limits = QUALIFY.limits
    given = {name for name in type(limits).model_fields if getattr(limits, name) is not None}
    # No value is compared with these: the outcome is called by them, or they are counts.
    assert given - told == {"run_on_s", "stall_s", "dropouts_max"}
    text = QUALIFY.text.replace("# coil_m", "coil_m").replace(
        "[limits]\n", "[limits]\ndropout_max_s = 0.05\n"
    )
    more = plan_from_text(text, Path("more.toml"))
    assert {limit.key for limit in budgets_of(STARTER, more).limits} - told == {
        "coil_min_ohm",
        "coil_max_ohm",
        "dropout_max_s",
    }
    no_coil = STARTER.model_copy(update={"ignition_sensor": None})
    assert "coil_max_ohm" not in {limit.key for limit in budgets_of(no_coil, more).limits}


def test_the_largest_component_says_what_to_do():
    budgets = budgets_of(STARTER, QUALIFY)
    said = {limit.key: limit.largest_in_words() for limit in budgets.limits}
    assert "calibrate" in said["run_max_a"]
    assert "R4" in said["rest_max_a"]
    assert said["response_max_s"].startswith("feed relay's delay: 9")
    for budget in budgets.all:
        rows = list(component_rows(budget))
        assert [row.share for row in rows] == sorted((row.share for row in rows), reverse=True)
        assert sum(row.share for row in rows) == pytest.approx(1.0)
        assert "k = 2.00" in result_words(budget)


def test_a_limits_row_says_where_values_pass_and_fail():
    rows = {limit.key: limit_row(limit) for limit in budgets_of(STARTER, QUALIFY).limits}
    row = rows["stall_max_a"]
    assert (row.limit, row.passes, row.fails) == ("at most 26 A", "to 25.53", "from 26.47")
    strict = plan_from_text(
        QUALIFY.text + '\n[decision]\nrule = "guarded_acceptance"\n', Path("strict.toml")
    )
    row = {limit.key: limit_row(limit) for limit in budgets_of(STARTER, strict).limits}
    assert row["stall_min_a"].passes == "from 17.28"
    assert row["stall_min_a"].fails == "to 17.28"


def test_a_plan_says_its_rule():
    assert "retest" in decision_words(QUALIFY)
    simple = plan_from_text(
        QUALIFY.text + '\n[decision]\nrule = "simple_acceptance"\n', Path("simple.toml")
    )
    assert "no guard band" in decision_words(simple)
    assert simple.analysis_limits().rule.rule is Rule.SIMPLE_ACCEPTANCE
