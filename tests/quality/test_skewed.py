"""Tolerance limits of values that may be skewed: what they come to, simulated, and their parts.

That a limit is set at an upper bound of the skewness is no published method: that it holds is shown
by drawing alone.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from rig.quality.normality import skewness_of
from rig.quality.skewed import (
    MOST_SHAPE,
    best_straightened,
    skewed_interval,
    skewness_error,
    straightened,
)
from rig.quality.tolerance import Side, normal_interval

DRAWN = 300


def highest_of_6(rng, count):
    """Return what the program takes of normal half-turns: each unit's highest."""
    return rng.normal(size=(count, 6)).max(axis=1)


def two_batches(rng, count):
    return rng.normal(size=count) + 3.0 * (rng.random(count) < 0.2)


POPULATIONS = {
    "normal": (lambda rng, count: rng.normal(size=count), stats.norm.ppf(0.99)),
    "highest of 6": (highest_of_6, stats.norm.ppf(0.99 ** (1 / 6))),
    "log-normal 0.1": (lambda rng, n: rng.lognormal(0, 0.1, n), stats.lognorm(0.1).ppf(0.99)),
    "log-normal 0.25": (lambda rng, n: rng.lognormal(0, 0.25, n), stats.lognorm(0.25).ppf(0.99)),
    "log-normal 0.5": (lambda rng, n: rng.lognormal(0, 0.5, n), stats.lognorm(0.5).ppf(0.99)),
    "two batches": (two_batches, 4.645),  # 0.8 Phi(x) + 0.2 Phi(x - 3) = 0.99
}


@pytest.mark.parametrize(
    ("name", "count", "as_normal"),
    [
        ("normal", 20, 1.0),
        ("highest of 6", 20, 0.90),
        ("highest of 6", 100, 0.72),
        ("log-normal 0.1", 50, 0.85),
        ("log-normal 0.25", 20, 0.75),
        ("log-normal 0.5", 50, 0.3),
        ("two batches", 50, 0.85),
    ],
)
def test_the_limit_holds_what_it_says_for_normal_and_for_skewed_values(name, count, as_normal):
    draw, truth = POPULATIONS[name]
    rng = np.random.default_rng(5)
    samples = [draw(rng, count).tolist() for _ in range(DRAWN)]
    held = [skewed_interval(x, 0.99, 0.95, Side.HIGH).high >= truth for x in samples]
    # Drawn so many times, 0.95 comes out as 0.925 or less once in forty.
    assert np.mean(held) >= 0.925
    plain = [normal_interval(x, 0.99, 0.95, Side.HIGH).high >= truth for x in samples]
    assert np.mean(plain) <= as_normal


def test_the_99_percent_points_above_are_the_populations_own():
    mixed = 0.8 * stats.norm.cdf(4.645) + 0.2 * stats.norm.cdf(1.645)
    assert mixed == pytest.approx(0.99, abs=1e-4)
    best, _ = integrate.quad(
        lambda x: 6 * stats.norm.pdf(x) * stats.norm.cdf(x) ** 5, -9, POPULATIONS["highest of 6"][1]
    )
    assert best == pytest.approx(0.99, abs=1e-6)


def test_what_it_costs_where_the_values_are_normal():
    rng = np.random.default_rng(6)
    for count, least, most in ((20, 3.9, 4.7), (50, 3.1, 3.45), (100, 2.8, 3.05)):
        samples = rng.normal(size=(200, count)).tolist()
        away = [skewed_interval(x, 0.99, 0.95, Side.HIGH).high for x in samples]
        assert least <= np.median(away) <= most


@given(st.integers(0, 10**6), st.integers(5, 60), st.sampled_from(list(Side)))
@settings(max_examples=40)
def test_never_nearer_than_normal_and_the_same_in_any_unit_and_mirrored(seed, count, side):
    values = np.random.default_rng(seed).lognormal(0.0, 0.3, count)
    found = skewed_interval(values.tolist(), 0.95, 0.9, side)
    plain = normal_interval(values.tolist(), 0.95, 0.9, side)
    for a, b, sign in ((found.low, plain.low, 1.0), (found.high, plain.high, -1.0)):
        assert (a is None) == (b is None)
        assert a is None or sign * (b - a) >= -1e-9
    other = {Side.LOW: Side.HIGH, Side.HIGH: Side.LOW, Side.BOTH: Side.BOTH}[side]
    mirrored = skewed_interval((5.0 - 2.0 * values).tolist(), 0.95, 0.9, other)
    for a, b in ((found.low, mirrored.high), (found.high, mirrored.low)):
        assert (a is None) == (b is None)
        assert a is None or b == pytest.approx(5.0 - 2.0 * a, rel=1e-6)


@given(st.integers(0, 10**6), st.integers(5, 80), st.booleans(), st.floats(0.0, 1.0))
@settings(max_examples=40)
def test_straightened_has_the_skewness_asked_for_and_goes_back(seed, count, up, lean):
    values = np.random.default_rng(seed).gamma(3.0, size=count)
    found = straightened(values.tolist(), up=up, to=-lean)
    straight = np.array([found.straight(value) for value in values])
    sign = 1.0 if up else -1.0
    if found.bend:
        least = -(count - 2) / np.sqrt(count - 1) * count / (count - 2)  # no sample has less
        assert sign * skewness_of(straight) == pytest.approx(max(-lean, least), abs=0.01)
        assert straight.mean() == pytest.approx(found.centre, abs=1e-9)
        assert straight.std(ddof=1) == pytest.approx(found.spread)
    else:
        assert sign * skewness_of(values) <= -lean + 0.01
    assert [found.value(x) for x in straight] == pytest.approx(values.tolist(), rel=1e-6)
    held = straightened(values.tolist(), up=up, to=-lean, most_shape=MOST_SHAPE)
    assert held.shape <= MOST_SHAPE + 1e-6


def test_the_start_and_shape_of_a_log_normal_distribution_are_found():
    values = 4.0 + np.exp(0.3 * stats.norm.ppf((np.arange(2000) + 0.5) / 2000))
    found = best_straightened(values.tolist())
    assert found.up
    assert (found.start, found.shape) == (
        pytest.approx(4.0, abs=0.03),
        pytest.approx(0.3, abs=0.01),
    )
    assert found.straight(3.9) == -np.inf
    down = best_straightened((-values).tolist())
    assert (down.up, down.start) == (False, pytest.approx(-4.0, abs=0.03))


def test_the_error_of_a_samples_skewness():
    rng = np.random.default_rng(2)
    drawn = [skewness_of(row) for row in rng.normal(size=(4000, 20))]
    assert np.std(drawn) == pytest.approx(skewness_error(20), rel=0.05)
