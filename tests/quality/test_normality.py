"""The look at a sample: against published examples, against SciPy, and against draws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rig.quality.normality import farthest_of, look, plot_places

# NIST/SEMATECH e-Handbook 1.3.5.17.1, readings of a mass spectrometer (Tietjen and Moore).
READINGS = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
# Weights of eleven men, Shapiro and Wilk 1965 (from memory): W 0.79, p well below 0.01.
WEIGHTS = [148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236]


def test_grubbs_test_as_published():
    found = farthest_of(READINGS, above=True)
    assert found.g == pytest.approx(2.4687, abs=1e-4)  # printed 2.4687
    assert found.critical == pytest.approx(2.032, abs=5e-4)
    assert (found.at, found.value, found.stands_apart) == (7, 245.57, True)
    assert farthest_of(READINGS).critical > found.critical  # on both sides it has to be farther
    assert not farthest_of(READINGS[:-1]).stands_apart


def test_shapiro_and_wilks_example():
    found = look(WEIGHTS)
    assert found.w == pytest.approx(0.79, abs=0.005)
    assert found.p < 0.01
    assert found.refused
    assert found.farthest.value == 236


@given(st.integers(3, 300))
def test_the_plots_places_are_filliben_s(count):
    by_scipy = stats.probplot(np.arange(count), fit=False)[0]
    assert plot_places(count) == pytest.approx(by_scipy, abs=1e-12)


def test_the_rest_of_the_look_is_scipy_s():
    values = np.random.default_rng(3).gamma(3.0, size=40)
    found = look(values.tolist())
    assert found.skewness == pytest.approx(stats.skew(values, bias=False), rel=1e-9)
    assert found.correlation == pytest.approx(stats.probplot(values)[1][2], rel=1e-9)
    assert (found.count, found.distinct, found.in_steps) == (40, 40, False)


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e3))
def test_the_unit_that_values_are_in_changes_nothing(offset, scale):
    moved = [offset + scale * value for value in READINGS]
    found, first = look(moved), look(READINGS)
    for name in ("w", "correlation", "skewness"):
        assert getattr(found, name) == pytest.approx(getattr(first, name), abs=1e-6)
    assert found.farthest.g == pytest.approx(first.farthest.g, abs=1e-6)


def test_how_often_a_normal_sample_is_refused_and_how_little_a_small_one_shows():
    rng = np.random.default_rng(8)
    normal = [look(rng.normal(size=15).tolist()) for _ in range(1000)]
    assert np.mean([each.refused for each in normal]) == pytest.approx(0.01, abs=0.012)
    assert np.mean([each.doubtful for each in normal]) == pytest.approx(0.04, abs=0.02)
    assert np.mean([each.farthest.stands_apart for each in normal]) == pytest.approx(
        0.05, abs=0.025
    )
    # Eight values of a distribution as lopsided as the exponential pass for normal mostly.
    lopsided = [look(rng.exponential(size=8).tolist()).refused for _ in range(500)]
    assert np.mean(lopsided) < 0.4


def test_values_in_steps_are_seen_and_normal_ones_are_not_taken_for_such():
    rng = np.random.default_rng(4)
    assert sum(look(rng.normal(size=n).tolist()).in_steps for n in (5, 8, 20) * 150) <= 3
    ms = 0.001 * rng.choice([7, 8, 8, 8, 9], 22) + rng.normal(0.0, 1e-6, 22)
    found = look(ms.tolist())
    assert (found.distinct, found.in_steps) == (3, True)
    assert found.step == pytest.approx(0.001, rel=0.01)
