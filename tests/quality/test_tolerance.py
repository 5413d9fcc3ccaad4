"""Tolerance limits against published factors, against SciPy, and against their own definition."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.quality.tolerance import (
    Side,
    coverage_reached,
    factor,
    least_count,
    normal_interval,
    order_interval,
)

TABLE = Path(__file__).parents[1] / "reference" / "tolerance_factors.csv"


def published():
    with TABLE.open() as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [(int(row["count"]), float(row["coverage"]), row["k"]) for row in rows]


@pytest.mark.parametrize(("count", "coverage", "k"), published())
def test_two_sided_factors_as_published(count, coverage, k):
    found = factor(count, coverage, 0.95, Side.BOTH)
    assert found == pytest.approx(float(k), abs=0.00501)  # to the last digit that is printed


def test_the_handbooks_example():
    # NIST/SEMATECH e-Handbook 7.2.6.3: N = 43, mean 97.07, s 0.0268, coverage 0.90, confidence
    # 0.99.  Its k2 is Howe's approximation, 2.217; 1.8740 is its noncentral t.
    assert factor(43, 0.90, 0.99, Side.HIGH) == pytest.approx(1.8740, abs=5e-5)
    assert howe(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)
    assert factor(43, 0.90, 0.99, Side.BOTH) == pytest.approx(2.217, rel=0.003)
    values = sample_of(43, 97.07, 0.0268)
    both = normal_interval(values, 0.90, 0.99, Side.BOTH)
    assert (both.low, both.high) == pytest.approx((97.011, 97.129), abs=1e-3)
    # With 1.8752 of an approximation the page has 97.02 and, misprint corrected, 97.12.
    assert normal_interval(values, 0.90, 0.99, Side.LOW).low == pytest.approx(97.02, abs=5e-3)
    assert normal_interval(values, 0.90, 0.99, Side.HIGH).high == pytest.approx(97.12, abs=5e-3)


def sample_of(count, mean, sd):
    """Return values with exactly this mean and sample standard deviation."""
    raw = np.linspace(-1.0, 1.0, count)
    return (mean + sd * raw / raw.std(ddof=1)).tolist()


def howe(count, coverage, confidence):
    """Howe's approximation of the two-sided factor, as the handbook has it."""
    z = stats.norm.ppf(0.5 + 0.5 * coverage)
    chi_sq = stats.chi2.ppf(1.0 - confidence, count - 1)
    return z * np.sqrt((count - 1) * (1.0 + 1.0 / count) / chi_sq)


@given(
    st.integers(5, 200),
    st.sampled_from([0.75, 0.9, 0.95, 0.99, 0.9973]),
    st.sampled_from([0.8, 0.9, 0.95, 0.99]),
)
@settings(max_examples=40, deadline=None)
def test_factors_beside_scipy_and_howe(count, coverage, confidence):
    root = np.sqrt(count)
    by_scipy = stats.nct.ppf(confidence, count - 1, stats.norm.ppf(coverage) * root) / root
    one_sided = factor(count, coverage, confidence, Side.HIGH)
    assert one_sided == pytest.approx(by_scipy, rel=1e-6)
    assert factor(count, coverage, confidence, Side.LOW) == one_sided
    both = factor(count, coverage, confidence, Side.BOTH)
    assert both > one_sided
    assert both == pytest.approx(howe(count, coverage, confidence), rel=0.02)
    # More units draw the limits nearer; never nearer than the population's own quantile.
    assert (
        stats.norm.ppf(0.5 + 0.5 * coverage)
        < factor(count + 1, coverage, confidence, Side.BOTH)
        < both
    )


@pytest.mark.parametrize("side", Side)
def test_limits_hold_what_they_say_as_often_as_they_say(side):
    # The definition: of 20 000 samples of 12, so many have limits that hold the coverage.
    count, coverage, confidence = 12, 0.95, 0.90
    rng = np.random.default_rng(11)
    samples = rng.normal(3.0, 0.2, (20_000, count))
    k = factor(count, coverage, confidence, side)
    mean, reach = samples.mean(axis=1), k * samples.std(axis=1, ddof=1)
    below = stats.norm.cdf(mean + reach, 3.0, 0.2) if side is not Side.LOW else 1.0
    under = stats.norm.cdf(mean - reach, 3.0, 0.2) if side is not Side.HIGH else 0.0
    held = np.mean(below - under >= coverage)
    assert held == pytest.approx(confidence, abs=4 * np.sqrt(0.9 * 0.1 / 20_000))


@pytest.mark.parametrize("step", [1.0, 2.0])
def test_limits_of_values_in_steps_hold_half_a_step_farther_out(step):
    # Where the step is up to two standard deviations of what is read (studies/known_good.py).
    rng = np.random.default_rng(9)
    places = rng.uniform(0.0, step, (4000, 1))
    read = np.round((rng.normal(size=(4000, 12)) + places) / step) * step - places
    sd = read.std(axis=1, ddof=1)
    high = read.mean(axis=1) + factor(12, 0.95, 0.95, Side.HIGH) * sd + 0.5 * step
    used = (sd > 0.0) & (step <= 2.0 * sd)
    assert used.mean() > 0.5
    assert np.mean(stats.norm.cdf(high[used]) >= 0.95) >= 0.95


def test_least_counts_without_a_distribution():
    # Widely printed after Wilks (from memory): 59 and 93 for 95 % / 95 %, 299 and 473 for 99 %.
    assert [least_count(0.95, 0.95, side) for side in (Side.HIGH, Side.BOTH)] == [59, 93]
    assert [least_count(0.99, 0.95, side) for side in (Side.LOW, Side.BOTH)] == [299, 473]


@given(st.integers(3, 400), st.sampled_from([0.8, 0.9, 0.95, 0.99]), st.sampled_from(list(Side)))
def test_what_a_sample_spans_is_beta_distributed(count, confidence, side):
    ends = 2 if side is Side.BOTH else 1
    reached = coverage_reached(count, confidence, side)
    spans = stats.beta(count + 1 - ends, ends)  # the textbook's, by SciPy
    assert spans.sf(reached) == pytest.approx(confidence, abs=1e-9)
    if reached * 0.999 >= 0.5 and reached * 1.001 <= 0.9999:
        assert least_count(reached * 0.999, confidence, side) <= count
        assert least_count(reached * 1.001, confidence, side) > count


def test_order_limits_hold_whatever_the_distribution():
    coverage, confidence, count = 0.9, 0.9, 60
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(2000):
        found = order_interval(
            rng.exponential(size=count).tolist(), coverage, confidence, Side.HIGH
        )
        held += stats.expon.cdf(found.high) >= coverage
    assert 0.9 - 0.02 <= held / 2000 <= 0.97  # a place in the sample cannot be chosen finer
    assert found.order == 3
    assert order_interval(range(21), coverage, confidence, Side.HIGH) is None
    assert order_interval(range(22), coverage, confidence, Side.HIGH).high == 21.0
    both = order_interval(range(100), coverage, confidence, Side.BOTH)
    assert (both.low, both.high) == (both.order - 1, 100 - both.order)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: factor(1, 0.99, 0.95, Side.HIGH),
        lambda: factor(10, 1.0, 0.95, Side.HIGH),
        lambda: factor(10, 0.99, 0.2, Side.BOTH),
        lambda: least_count(0.3, 0.95, Side.HIGH),
        lambda: normal_interval([1.0, float("nan"), 2.0], 0.99, 0.95, Side.HIGH),
    ],
)
def test_what_cannot_be_worked_with(wrong):
    with pytest.raises(ValueError, match=r"values|coverage|confidence"):
        wrong()
