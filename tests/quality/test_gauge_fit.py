"""Whether a rig is fit to judge by a limit, in words that say by what."""

from __future__ import annotations

import numpy as np
import pytest
from gauge_values import readings

from rig.quality.gauge_fit import Fitness, Judged, fit_of
from rig.quality.gauge_study import study


@pytest.fixture(scope="module")
def gauge():
    """A gauge of standard deviation about 0.01 s on units about 0.8 s."""
    rng = np.random.default_rng(4)
    values = 0.8 + rng.normal(0, 0.05, (8, 1, 1)) + rng.normal(0, 0.01, (8, 3, 3))
    return study(readings(values))


def judged(**changes):
    return Judged("Half-turn time", "s", **changes)


def test_two_limits_are_a_tolerance(gauge):
    fit = fit_of(gauge, judged(low=0.4, high=1.2))
    assert fit.share == pytest.approx(6 * gauge.gauge.sd / 0.8)
    assert (fit.fitness, fit.basis) == (Fitness.FIT, "the tolerance of 0.80 s")
    assert fit.text.startswith("The rig is fit to judge the half-turn time by this plan: its")


@pytest.mark.parametrize(
    ("spreads", "fitness"),
    # So many of half the gauge's spread (3 sd) between the mean and the limit.
    [(10.5, Fitness.FIT), (9.5, Fitness.MARGINAL), (3.5, Fitness.MARGINAL), (3.0, Fitness.UNFIT)],
)
def test_one_limit_is_judged_by_the_way_to_it(gauge, spreads, fitness):
    way = spreads * 3 * gauge.gauge.sd
    fit = fit_of(gauge, judged(high=gauge.mean + way))
    assert fit.share == pytest.approx(1 / spreads)
    assert fit.fitness is fitness
    assert fit_of(gauge, judged(low=gauge.mean - way)).share == pytest.approx(1 / spreads)
    assert ("NOT fit" in fit.text) is (fitness is Fitness.UNFIT)
    assert ("repeatability" in fit.text) is (fitness is not Fitness.FIT)


def test_of_two_limits_the_nearer_one_counts_for_the_guard_band(gauge):
    fit = fit_of(gauge, judged(low=gauge.mean - 0.2, high=gauge.mean + 0.8, guard=0.05))
    assert fit.guard_share == pytest.approx(0.25)


def test_the_guard_band_is_told_and_held_against_the_gauge(gauge):
    wide = fit_of(gauge, judged(high=gauge.mean + 1.0, guard=0.1))
    assert wide.guard_share == pytest.approx(0.1)
    assert wide.guard_used == pytest.approx(2 * gauge.gauge.sd / 0.1)
    assert (wide.fitness, "too small" in wide.text) == (Fitness.FIT, False)
    narrow = fit_of(gauge, judged(high=gauge.mean + 1.0, guard=gauge.gauge.sd))
    assert (narrow.fitness, "too small" in narrow.text) == (Fitness.MARGINAL, True)


def test_without_a_limit_the_units_are_the_measure(gauge):
    fit = fit_of(gauge, judged())
    assert fit.share == gauge.gauge.study
    assert "no limit for the half-turn time" in fit.text
    assert fit_of(gauge, judged(low=1.0, high=0.5)).basis.startswith("the ")


def test_beyond_the_limit_nothing_is_known(gauge):
    fit = fit_of(gauge, judged(high=0.5, guard=0.01))
    assert (fit.fitness, fit.share, fit.guard_share) == (Fitness.NOT_KNOWN, None, None)
    assert "not known" in fit.text


def test_repeats_that_are_all_equal_are_no_perfect_gauge():
    values = np.array([0.7, 0.8, 0.9])[:, None, None] * np.ones((3, 2, 2))
    assert "steps hide" in fit_of(study(readings(values)), judged(high=2.0)).text
