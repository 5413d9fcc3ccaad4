"""What a calibration finds, what it must not accept, and whether it holds."""

from __future__ import annotations

import math
import random
import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.quality.calibration import (
    GAIN_MOST,
    Calibration,
    CalibrationState,
    Correction,
    Point,
    Quantity,
    Reference,
    ReferenceKind,
    Setup,
    due_day,
    line_of,
    objections,
    standing,
    uncertainty_ratio,
)
from rig.quality.calibration_words import (
    calibration_words,
    due_words,
    ratio_words,
    standing_in_short,
    standing_line,
    standing_words,
)
from rig.references import ReferenceSettings

SHUNT_OHM = 0.005
SETUP = Setup("Low Meadow", "A", "pi", False, 1, 0x40, SHUNT_OHM, 0.16)
MADE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
DUE = date(2027, 3, 2)


def points(gain, offset, references, off=lambda at: 0.0, u_rel=0.001):
    """Points as a station that is off by gain and offset would give them."""
    return [
        Point(
            reference=at,
            reading=at / gain + offset + off(at),
            scatter=0.002,
            count=4000,
            reading_u=0.0006,
            own_u=0.0003 if at else 0.0,
            common_u=u_rel / 2 * at,
        )
        for at in references
    ]


def calibration(**changes):
    current = line_of(Quantity.CURRENT, points(1.02, 0.01, (0.0, 3.0, 6.0)), Correction())
    made = Calibration(
        UUID(int=1), MADE, DUE, "R. Vale", SETUP, (Reference(ReferenceKind.METER, "4711"),), current
    )
    return replace(made, **changes)


@given(
    gain=st.floats(0.955, 1.045),
    offset=st.floats(-0.1, 0.1),
    seed=st.integers(0, 2**32),
    share=st.floats(-1.7, 1.7),
)
@settings(max_examples=200)
def test_the_station_then_reads_right_within_its_uncertainty(gain, offset, seed, share):
    """For every error within bounds, noise, and a meter within its own U, truth lies in k = 3."""
    rng = random.Random(seed)
    # The meter is off by as much as it may be, by one share at every point.
    made = [
        replace(
            p,
            reference=p.reference + share * p.common_u,
            reading=p.reading + max(-2.0, min(2.0, rng.gauss(0, 1))) * p.reading_u,
        )
        for p in points(gain, offset, (0.0, 2.5, 4.4, 6.2))
    ]
    line = line_of(Quantity.CURRENT, made, Correction())
    assert objections(line, SHUNT_OHM) == ()
    for true_a in (0.0, 1.0, 5.0, 20.0):
        read_a = true_a / gain + offset
        assert abs(line.correction.true(read_a) - true_a) <= 3 * line.correction.u(read_a)


def test_its_uncertainty_at_a_reading_is_the_one_that_the_guide_prints():
    """JCGM 100:2008, H.3.4 (from memory): the correction at 30 degrees is -0.1494 with u
    = 0.0041, covariance counted (without it u would be 0.0073).  Readings as in test_line_fit.
    """
    read_c = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511)
    correction_c = (-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160)
    thermometer = [
        Point(b / 1000, t - 20.0, 0.0, 1, 0.0, own_u=0.0034976)
        for t, b in zip(read_c, correction_c, strict=True)
    ]
    found = line_of(Quantity.VOLTAGE, thermometer, Correction()).correction
    assert round(found.true(10.0), 4) == -0.1494
    assert round(found.u(10.0), 4) == 0.0041


def test_as_found_and_as_left():
    before = Correction(gain=1.01)
    line = line_of(Quantity.CURRENT, points(1.02, 0.01, (0.0, 5.0)), before)
    zero, five = line.points
    assert line.found(zero) == pytest.approx(1.01 * 0.01)
    assert line.found(five) == pytest.approx(1.01 * (5 / 1.02 + 0.01) - 5)
    assert line.left(zero) == pytest.approx(0, abs=1e-9)
    assert line.left(five) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("gain", [1 - GAIN_MOST - 0.001, 1 + GAIN_MOST + 0.001, 2.0, 0.5])
def test_a_silly_gain_is_refused_with_the_shunt_named(gain):
    line = line_of(Quantity.CURRENT, points(gain, 0.0, (0.0, 5.0)), Correction())
    (why,) = objections(line, SHUNT_OHM)
    assert "the shunt value in rig.toml is probably wrong" in why


def test_an_offset_no_chip_has_is_refused():
    line = line_of(Quantity.CURRENT, points(1.0, 0.13, (0.0, 5.0)), Correction())
    (why,) = objections(line, SHUNT_OHM)
    assert "something draws current" in why


def test_a_mistyped_reading_is_seen_from_three_points_on():
    off = points(1.0, 0.0, (0.0, 2.5, 5.0), off=lambda at: 0.05 if at == 2.5 else 0.0)
    found = objections(line_of(Quantity.CURRENT, off, Correction()), SHUNT_OHM)
    assert any("do not lie on a line" in why for why in found)


@pytest.mark.parametrize("u_rel", [0.001, 0.02])
def test_what_all_points_share_excuses_none_that_is_off_the_line(u_rel):
    """A reference of 2 % is off by the same share everywhere: 20 mA in the middle are no part of
    that.
    """
    off = points(1.0, 0.0, (0.0, 2.5, 5.0), off=lambda at: 0.02 if at == 2.5 else 0.0, u_rel=u_rel)
    found = objections(line_of(Quantity.CURRENT, off, Correction()), SHUNT_OHM)
    assert any("do not lie on a line" in why for why in found)


@pytest.mark.parametrize("name", ["gain_u", "offset_u", "covariance"])
@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_an_uncertainty_that_is_no_number_is_not_applied(name, value):
    line = calibration().current
    silly = replace(line, correction=replace(line.correction, **{name: value}))
    assert not standing([calibration(current=silly)], SETUP, DUE).applies


def test_a_line_that_falls_is_none():
    swapped = [replace(p, reading=-p.reading) for p in points(1.0, 0.0, (1.0, 5.0))]
    with pytest.raises(ValueError, match="polarity"):
        line_of(Quantity.CURRENT, swapped, Correction())


def test_the_ratio_is_what_the_rig_file_says_over_the_reference():
    (point,) = points(1.0, 0.0, (5.0,), u_rel=0.005)
    declared = Correction(gain_u=0.005, offset_u=0.0)
    assert uncertainty_ratio(point, declared) == pytest.approx(2.0, rel=0.01)
    assert "4 times is common practice" in ratio_words(2.0)
    assert ratio_words(4.0) == ""


# --- does it hold? ----------------------------------------------------------------------------


@given(st.integers(-364, 400))
def test_it_holds_to_its_last_day_and_not_a_day_longer(days):
    on = DUE + timedelta(days=days)
    stands = standing([calibration()], SETUP, on)
    wanted = CalibrationState.OVERDUE if days > 0 else CalibrationState.IN_FORCE
    assert stands.state is wanted
    assert stands.days_left == -days
    assert stands.applies  # nothing better is known when it is overdue
    assert bool(standing_in_short(stands)) == (days > 0)


def test_the_newest_counts_and_nothing_else():
    old = calibration(
        calibration_id=UUID(int=2), made_at=MADE - timedelta(days=400), due=date(2030, 1, 1)
    )
    assert standing([old, calibration()], SETUP, DUE).calibration.calibration_id == UUID(int=1)


def test_one_of_a_day_to_come_is_not_applied_and_says_to_set_the_clock():
    """It would shadow every calibration made before its date, for years."""
    ahead = calibration(calibration_id=UUID(int=2), made_at=MADE + timedelta(days=900))
    stands = standing([calibration(), ahead], SETUP, DUE)
    assert stands.state is CalibrationState.DATED_AHEAD
    assert stands.current is stands.voltage is None
    assert "Set the clock" in standing_words(stands)
    assert standing_in_short(stands) == "CALIBRATION DATED AHEAD"
    assert "another name" in due_words(stands, 30)
    assert standing([ahead], SETUP, ahead.made_on).state is not CalibrationState.DATED_AHEAD


@pytest.fixture
def far_west(monkeypatch):
    monkeypatch.setenv("TZ", "America/Los_Angeles")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_the_day_shown_is_that_of_the_place_as_the_due_day_is(far_west):
    evening = datetime(2026, 11, 30, 4, 0, tzinfo=UTC)  # eight in the evening before
    made = calibration(made_at=evening, due=date(2027, 11, 29))
    assert "Calibrated 2026-11-29 by" in standing_words(standing([made], SETUP, date(2026, 11, 29)))
    assert calibration_words(made)[0].startswith("2026-11-29 ")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"shunt_ohm": 0.002}, "the shunt was 5 mohm and is 2 mohm"),
        ({"address": 0x44}, "0x40 on I2C bus 1 and is at 0x44"),
        ({"bus": 3}, "on bus 3"),
        ({"backend": "other"}, "the backend was pi and is other"),
    ],
)
def test_a_rig_that_was_changed_since_is_told_and_not_corrected(change, says):
    stands = standing([calibration()], replace(SETUP, **change), DUE)
    assert stands.state is CalibrationState.RIG_CHANGED
    assert stands.current is None
    assert says in standing_words(stands)
    assert "does not apply" in standing_words(stands)


def test_another_range_of_the_sensor_is_no_change():
    assert standing([calibration()], replace(SETUP, range_v=0.32), DUE).applies


@pytest.mark.parametrize("of_real", [True, False])
def test_a_simulated_calibration_never_counts_for_a_real_rig_nor_the_other_way(of_real):
    setup = replace(SETUP, simulated=not of_real)
    made = calibration(setup=replace(SETUP, simulated=of_real))
    stands = standing([made], setup, DUE)
    assert stands.state is CalibrationState.NEVER
    assert "does not count here" in standing_words(stands)


def test_other_rigs_and_stations_do_not_count():
    for other in (replace(SETUP, rig="Hilltop"), replace(SETUP, station="B")):
        assert standing([calibration(setup=other)], SETUP, DUE).state is CalibrationState.NEVER


def test_numbers_that_no_sensor_has_are_not_applied_whoever_wrote_them():
    line = calibration().current
    silly = replace(line, correction=replace(line.correction, gain=0.4))
    stands = standing([calibration(current=silly)], SETUP, DUE)
    assert stands.state is CalibrationState.RIG_CHANGED
    assert stands.current is None


def test_a_rig_that_never_was_says_so_but_for_a_simulated_one():
    real = standing([], SETUP, DUE)
    simulated = standing([], replace(SETUP, simulated=True), DUE)
    assert "never calibrated" in standing_line(real)
    assert standing_in_short(real) == "RIG NEVER CALIBRATED"
    assert standing_line(simulated) == standing_in_short(simulated) == ""
    assert "simulated rig was never calibrated" in standing_words(simulated)
    assert standing_words(None) == "Calibration not recorded."


def test_what_is_due_is_told_in_time():
    def told(days):
        return due_words(standing([calibration()], SETUP, DUE - timedelta(days=days)), 30)

    assert told(31) == ""
    assert "30 days left" in told(30)
    assert "1 day left" in told(1)
    assert "last day" in told(0)
    assert "halfturn calibrate" in told(-1)
    assert due_day(date(2026, 3, 2), 365) == DUE


def test_an_uncertainty_with_its_own_k_and_a_meters_digits():
    meter = Reference(ReferenceKind.METER, "", expanded_u_rel=0.003, expanded_u=0.04, k=2.0)
    assert meter.u(10.0) == pytest.approx(0.025)
    assert replace(meter, k=1.0).u(10.0) == pytest.approx(0.05)


def test_a_resistor_is_uncertain_by_its_warmth_also_where_the_rig_file_says_nothing_of_it():
    """Rectangular (JCGM 100:2008, 4.3.7): 100 ppm/K over 10 K of the room and 18 K of its own."""
    given = {"name": "box", "kind": "resistor", "value_ohm": 2.5, "rated_w": 100.0, "u_rel": 0.001}
    silent = ReferenceSettings(**given).reference()
    warm_k = math.hypot(10.0, 30.0 * 60.0 / 100.0)
    assert silent.warmth_u_rel(60.0) == pytest.approx(100e-6 * warm_k / math.sqrt(3))
    stated = ReferenceSettings(**given, ppm_per_k=20.0, warms_k=5.0).reference()
    assert stated.warmth_u_rel(60.0) == pytest.approx(20e-6 * math.hypot(10, 3) / math.sqrt(3))
