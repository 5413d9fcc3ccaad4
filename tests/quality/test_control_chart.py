"""Control charts against NIST's worked examples, and how often they cry for nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from rig.quality.control_chart import (
    LAMBDA,
    WIDTH,
    Limits,
    Signal,
    baseline_limits,
    chart,
    ewma_limits,
    in_hindsight,
    limits_of,
    monitored,
)

KNOWN = Limits(0.0, 1.0, 1.128, 0)


# --- NIST/SEMATECH e-Handbook of Statistical Methods ----------------------------------------------


def test_individuals_and_moving_range_of_6_3_2_2():
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = limits_of(flow)
    assert limits.centre == pytest.approx(50.81, abs=1e-9)
    assert limits.moving_range == pytest.approx(1.8778, abs=5e-5)
    # Printed from d2 = 1.128; the exact 1.12838 gives 0.0017 less.
    assert (limits.high, limits.low) == pytest.approx((55.8041, 45.8159), abs=0.002)
    assert limits.range_high == pytest.approx(3.267 * 1.8778, abs=0.002)
    assert not any(point.alarm for point in monitored(flow, limits))


def test_ewma_of_6_3_2_4():
    x = (
        "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 "
        "49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
    )
    printed = (
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 "
        "50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
    )
    limits = Limits(50.0, 2.0539, 2.317, 20, width=3.0)
    points = monitored([float(value) for value in x.split()], limits, weight=0.3)
    assert [f"{point.ewma:.2f}" for point in points] == printed.split()
    assert not any(Signal.DRIFT in point.signals for point in points)
    far = ewma_limits(limits, 1000, 0.3)
    assert far == pytest.approx((47.4115, 52.5884), abs=1.1e-4)
    # Worked out for the exact limits, which the handbook does not print.
    first = [ewma_limits(limits, i, 0.3)[1] for i in range(1, 6)]
    assert first == pytest.approx([51.8485, 52.2564, 52.4314, 52.5127, 52.5516], abs=6e-5)


# --- how long until an alarm ----------------------------------------------------------------------


def ewma_run_length(shift=0.0, states=401):
    """Mean number of checks until the EWMA of known limits signals, by a Markov chain.

    Brook and Evans, Biometrika 59 (1972): the range between the (final) limits in small steps.
    """
    reach = WIDTH * np.sqrt(LAMBDA / (2 - LAMBDA))
    step = 2 * reach / states
    middle = -reach + step * (np.arange(states) + 0.5)
    low = (middle[None, :] - step / 2 - (1 - LAMBDA) * middle[:, None]) / LAMBDA - shift
    stays = ndtr(low + step / LAMBDA) - ndtr(low)
    return np.linalg.solve(np.eye(states) - stays, np.ones(states))[states // 2]


def test_the_ewma_cries_for_nothing_once_in_500_checks():
    # Lucas and Saccucci, Technometrics 32 (1990), have 500 for 0.2 and 2.962 (from memory); here
    # it is computed.
    assert ewma_run_length() == pytest.approx(500.0, rel=0.005)
    assert 10.0 < ewma_run_length(shift=1.0) < 11.0


def alarms(series, baseline, charts, checks):
    """The share of series with an alarm within so many checks after the baseline."""
    told = 0
    for values in series:
        points = chart(list(values), baseline, charts=charts).points
        told += any(point.alarm for point in points[baseline : baseline + checks])
    return told / len(series)


def test_limits_of_a_short_baseline_are_wide_enough():
    rng = np.random.default_rng(8)
    series = rng.normal(size=(700, 35))
    # Three charts share one chart's alarms: each gives a third of them.
    assert 3 * alarms(series, 15, 3, 20) < 0.08
    # The handbook's limits, taken from the same 15 values as if they were known, cry far too often.
    by_handbook = np.mean(
        [
            any(point.alarm for point in monitored(list(values[15:]), limits_of(values[:15])))
            for values in series
        ]
    )
    assert by_handbook > 0.2


def test_what_matters_is_still_seen_soon():
    rng = np.random.default_rng(9)
    series = rng.normal(size=(300, 35))
    series[:, 15:] += 3.0
    assert alarms(series, 15, 3, 5) > 0.8
    drifting = rng.normal(size=(300, 45))
    drifting[:, 15:] += 0.25 * np.arange(30)
    assert alarms(drifting, 15, 3, 15) > 0.85


def first_alarms(series, baseline, charts):
    """For each series the check after the baseline that first gives an alarm; infinite if none."""
    found = []
    for values in series:
        points = chart(list(values), baseline, charts=charts).points[baseline:]
        told = (number for number, point in enumerate(points, start=1) if point.alarm)
        found.append(next(told, np.inf))
    return np.array(found)


def test_how_soon_a_shift_is_found_as_readme_says():
    rng = np.random.default_rng(10)
    series = rng.normal(size=(300, 15 + 35))
    large, small = series.copy(), series.copy()
    large[:, 15:] += 3.0
    small[:, 15:] += 2.0
    found = first_alarms(large, 15, 3)
    assert np.median(found) == 3
    assert np.mean(found <= 7) == pytest.approx(0.9, abs=0.05)
    found = first_alarms(small, 15, 3)
    assert np.median(found) == pytest.approx(7.5, abs=1.0)
    # One in ten takes far longer: a baseline that came out wide by chance.
    assert 0.05 < np.mean(found > 30) < 0.15


def test_false_alarms_of_a_year_are_as_readme_says():
    rng = np.random.default_rng(12)
    found = first_alarms(rng.normal(size=(300, 15 + 365)), 15, 3)
    for checks, of_rigs in ((250, 0.20), (365, 0.25)):
        quiet = 1.0 - np.mean(found <= checks)
        assert 1.0 - quiet**3 == pytest.approx(of_rigs, abs=0.07)  # three charts


# --- rules ----------------------------------------------------------------------------------------


def signals(values, limits=KNOWN):
    return set(monitored(values, limits)[-1].signals)


@pytest.mark.parametrize(
    ("values", "wanted"),
    [
        ([3.01], {Signal.BEYOND, Signal.DRIFT}),  # alone, it is the smoothed value as well
        ([0.0, 3.01], {Signal.BEYOND}),
        ([2.95], set()),
        ([0.0, -3.01], {Signal.BEYOND}),
        ([2.1, 0.0, 2.1], {Signal.TWO_OF_THREE}),
        ([2.1, 0.0, 0.0, 2.1], set()),
        ([2.1, 2.1, 0.0], set()),  # it was told when it came
        ([2.1, -2.1], {Signal.SPREAD}),
        ([0.1] * 9, {Signal.NINE_ON_ONE_SIDE}),
        ([-0.1] * 9, {Signal.NINE_ON_ONE_SIDE}),
        ([0.1] * 8, set()),
        ([0.1] * 8 + [-0.1], set()),
        ([1.2] * 12, {Signal.DRIFT, Signal.NINE_ON_ONE_SIDE}),
    ],
)
def test_signals(values, wanted):
    assert signals(values) == wanted


def test_only_a_value_or_a_drift_is_an_alarm():
    last = [monitored(values, KNOWN)[-1] for values in ([3.01], [1.2] * 12, [0.1] * 9, [2.1, -2.1])]
    assert [point.alarm for point in last] == [True, True, False, False]


# --- baselines ------------------------------------------------------------------------------------


def test_a_baseline_is_gathered_first():
    found = chart([1.0, 2.0, 1.5], 5)
    assert (found.limits, found.left) == (None, 2)
    assert all(point.ewma is None and not point.signals for point in found.points)
    assert [point.step for point in found.points] == [None, 1.0, 0.5]


def test_a_baseline_that_wanders_sets_no_narrow_limits():
    wandering = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7]
    assert limits_of(wandering).sigma == pytest.approx(0.0886, abs=1e-4)
    assert baseline_limits(wandering).sigma > 0.24  # the standard deviation


def test_equal_values_get_the_least_sigma():
    limits = baseline_limits([1.892] * 6, least_sigma=0.001)
    assert (limits.sigma, limits.floored) == (0.001, True)
    assert limits.low < 1.888 < 1.896 < limits.high


def test_known_limits_are_what_many_checks_come_to():
    values = np.random.default_rng(3).normal(size=100)
    limits = baseline_limits(list(values))
    assert limits.reach == pytest.approx(3.0, abs=0.15)
    assert limits.width == pytest.approx(WIDTH, abs=0.12)


def test_values_are_shown_with_the_digits_that_matter():
    assert Limits(1.0, 0.0011, 0.0, 15).shown(1.89201, "A") == "1.8920 A"
    assert Limits(1.0, 25.0, 0.0, 15).shown(1234.6) == "1235"
    assert Limits(1.0, 0.0, 0.0, 15).shown(0.7) == "0.700"


@pytest.mark.parametrize("values", [[1.0], []])
def test_too_few_values_set_no_limits(values):
    with pytest.raises(ValueError, match="at least two"):
        limits_of(values)


def test_what_is_no_chart():
    with pytest.raises(ValueError, match="at least 5"):
        chart([1.0] * 10, 4)
    with pytest.raises(ValueError, match="finite"):
        chart([1.0, float("nan")], 5)


@pytest.mark.parametrize("count", [12, 60])
def test_a_look_back_at_a_steady_process_seldom_cries_and_sees_a_drift(count):
    rng = np.random.default_rng(2)

    def cries(drift):
        values = rng.normal(size=(500, count)) + np.linspace(0.0, drift, count)
        return np.mean([any(p.alarm for p in in_hindsight(row.tolist())) for row in values])

    assert cries(0.0) <= 0.11  # each of two charts one in twenty; README: one in ten
    assert cries(5.0) >= 0.5


@pytest.mark.parametrize("step", [1.0, 2.0, 3.0])
def test_a_look_back_at_values_in_steps_cries_no_more_for_the_steps(step):
    rng = np.random.default_rng(3)
    read = np.round(rng.random((200, 1)) + rng.normal(size=(200, 20)) / step)
    rows = [row.tolist() for row in read if np.ptp(row) > 0.0]

    def cries(known):
        return np.mean([any(p.alarm for p in in_hindsight(row, known)) for row in rows])

    assert cries(1.0) <= 0.1
    if step >= 2.0:
        assert cries(0.0) >= 0.2  # what the steps do to limits that know nothing of them


def test_a_look_back_at_values_in_steps_still_sees_them_change():
    assert any(p.alarm for p in in_hindsight([8.0] * 12 + [9.0] * 12, 1.0))
    assert any(p.alarm for p in in_hindsight([8.0, 8.0, 9.0, 8.0] * 5 + [12.0], 1.0))


def test_a_look_back_finds_the_value_that_jumps_out():
    values = [5.0, 5.2, 4.9, 5.1, 9.0, 5.0, 4.8, 5.1, 5.0, 4.9, 5.2, 5.0]
    beyond = [at for at, p in enumerate(in_hindsight(values)) if Signal.BEYOND in p.signals]
    assert beyond == [4]
