"""Global risks against published examples and against draws."""

import math

import numpy as np
import pytest
from scipy import stats

from rig.quality.risk import (
    Limits,
    Production,
    global_risk,
    log_normal_production,
    normal_production,
)

# JCGM 106:2012, 9.5.4, ball bearings, as quoted in a public metrology notebook (the document's own
# text was not seen): error of form gamma distributed, shape 4, scale 1/4 um, at most 2 um, measured
# with u = 0.25 um.
BEARINGS = Production(lambda x: x**3 * math.exp(-4.0 * x) * 4.0**4 / 6.0, 0.0, 15.0, (0.75,))
TWO_UM, U_UM = Limits(high=2.0), 0.25


def test_ball_bearings():
    at_limit = global_risk(BEARINGS, U_UM, TWO_UM, TWO_UM)
    exact = global_risk(BEARINGS, 0.0, TWO_UM, TWO_UM)
    assert exact.accepted == pytest.approx(1 - 0.04238, abs=5e-6)
    assert (exact.consumers, exact.producers) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert at_limit.consumers == pytest.approx(0.008019, abs=5e-7)
    # Not in the notebook; by an exact integration of the same.
    assert at_limit.producers == pytest.approx(0.01744, abs=5e-6)


def test_ball_bearings_guarded_for_a_risk_of_one_in_a_thousand():
    guarded = global_risk(BEARINGS, U_UM, TWO_UM, Limits(high=1.67183))
    assert guarded.consumers == pytest.approx(0.001, abs=5e-7)
    assert guarded.producers == pytest.approx(0.07549, abs=5e-6)


@pytest.mark.parametrize(
    ("in_tolerance", "accepted_bad", "bad_of_accepted"),
    [
        # NCSL RP-19 draft figures, as quoted in public tests of such arithmetic, per cent: limits
        # +-1, process over measurement standard deviation 4, both centred.  Their last digits are
        # their integration's: Gauss-Legendre with 800 points is off them by up to 1e-6.
        (0.60, 4.83860326, 8.26008199),
        (0.70, 3.92234109, 5.72322042),
        (0.80, 2.85583037, 3.63227145),
        (0.90, 1.59995312, 1.79880430),
        (0.95, 0.87100925, 0.92389664),
        (0.99, 0.19991684, 0.20243866),
    ],
)
def test_normal_productions_within_unit_limits(in_tolerance, accepted_bad, bad_of_accepted):
    from scipy.special import ndtri

    sd = 1.0 / ndtri(0.5 + 0.5 * in_tolerance)
    limits = Limits(-1.0, 1.0)
    risk = global_risk(normal_production(0.0, sd), sd / 4.0, limits, limits)
    assert 100 * risk.consumers == pytest.approx(accepted_bad, abs=1.5e-6)
    assert 100 * risk.consumers_of_accepted == pytest.approx(bad_of_accepted, abs=1.5e-6)


@pytest.mark.parametrize(
    ("limit_sd", "ratio", "factor", "consumers", "producers"),
    [
        # Points after Deaver, as quoted in public tests of such arithmetic to four digits;
        # the ratio is tolerance over expanded uncertainty.
        (2.0, 4.0, 1.0, 0.0080, 0.0149),
        (2.5, 4.0, 1.0, 0.0025, None),
        (2.0, 2.0, 0.91, 0.008, 0.066),
    ],
)
def test_test_uncertainty_ratios(limit_sd, ratio, factor, consumers, producers):
    tolerance = Limits(-limit_sd, limit_sd)
    accept = Limits(-factor * limit_sd, factor * limit_sd)
    risk = global_risk(normal_production(0.0, 1.0), limit_sd / ratio / 2.0, tolerance, accept)
    assert risk.consumers == pytest.approx(consumers, abs=0.0006)
    if producers is not None:
        assert risk.producers == pytest.approx(producers, abs=0.0006)


def test_resistors():
    """1500 ohm +- 0.2 ohm, process 0.12, u 0.04: JCGM 106:2012 has the inputs (from memory); the
    risks by an exact integration, not published."""
    limits = Limits(1499.8, 1500.2)
    risk = global_risk(normal_production(1500.0, 0.12), 0.04, limits, limits)
    assert risk.consumers == pytest.approx(0.018942, abs=5e-7)
    assert risk.producers == pytest.approx(0.037208, abs=5e-7)


@pytest.mark.parametrize(
    ("mean", "sd", "u", "tolerance", "accept"),
    [
        (0.0, 1.0, 0.3, Limits(-1.5, 2.0), Limits(-1.2, 1.8)),
        (3.0, 0.5, 0.01, Limits(None, 3.2), Limits(None, 3.19)),
        (3.0, 0.001, 1.0, Limits(2.5, None), Limits(3.0, None)),
        (100.0, 0.1, 0.1, Limits(0.0, 1.0), Limits(0.0, 1.0)),
    ],
)
def test_risks_are_what_draws_of_items_and_readings_say(mean, sd, u, tolerance, accept):
    rng = np.random.default_rng(5)
    true = rng.normal(mean, sd, 400_000)
    read = true + rng.normal(0.0, u, 400_000)
    good, passed = _within(true, tolerance), _within(read, accept)
    risk = global_risk(normal_production(mean, sd), u, tolerance, accept)
    assert risk.consumers == pytest.approx(np.mean(passed & ~good), abs=0.002)
    assert risk.producers == pytest.approx(np.mean(~passed & good), abs=0.002)
    assert risk.accepted == pytest.approx(np.mean(passed), abs=0.003)


def _within(values, limits):
    low = -np.inf if limits.low is None else limits.low
    high = np.inf if limits.high is None else limits.high
    return (values >= low) & (values <= high)


def test_log_normal_productions_are_scipy_s():
    production, truth = log_normal_production(0.5, 0.3), stats.lognorm(0.3, scale=np.exp(0.5))
    for x in (0.5, 1.0, 1.7, 4.0):
        assert production.density(x) == pytest.approx(truth.pdf(x), rel=1e-12)
    assert production.density(-1.0) == 0.0
    limits = Limits(high=truth.ppf(0.97))
    exact = global_risk(production, 0.0, limits, limits)
    assert (exact.accepted, exact.consumers) == pytest.approx((0.97, 0.0), abs=1e-9)
    true = truth.rvs(400_000, random_state=2)
    read = true + np.random.default_rng(3).normal(0.0, 0.1, 400_000)
    risk = global_risk(production, 0.1, limits, limits)
    good, passed = _within(true, limits), _within(read, limits)
    assert risk.consumers == pytest.approx(np.mean(passed & ~good), abs=0.0005)
    assert risk.producers == pytest.approx(np.mean(~passed & good), abs=0.0005)


def test_a_production_without_spread_is_none():
    with pytest.raises(ValueError, match="above zero"):
        normal_production(0.0, 0.0)
