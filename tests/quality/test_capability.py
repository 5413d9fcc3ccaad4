"""Performance indices against the handbook's example, against SciPy, and against draws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.quality.capability import performance


def sample_of(count, mean, sd):
    """Return values with exactly this mean and sample standard deviation."""
    raw = np.linspace(-1.0, 1.0, count)
    return (mean + sd * raw / raw.std(ddof=1)).tolist()


def test_the_handbooks_example():
    # NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2.
    found = performance(sample_of(50, 16.0, 2.0), 8.0, 20.0)
    assert found.pp.value == pytest.approx(1.0)
    assert found.upper.value == pytest.approx(0.6667, abs=5e-5)
    assert found.lower.value == pytest.approx(1.3333, abs=5e-5)
    assert found.ppk.value == found.upper.value
    assert not found.exact
    # Its interval: the index -/+ z sqrt(1 / 9n + index^2 / 2(n - 1)).
    reach = 1.959964 * np.sqrt(1 / 450 + 0.44444 / 98)
    assert found.ppk.high - found.ppk.value == pytest.approx(reach, rel=1e-4)
    assert found.ppk.value - found.ppk.low == pytest.approx(reach, rel=1e-4)
    # And Cp's: times the root of chi-square over its degrees of freedom.
    ends = np.sqrt(stats.chi2.ppf([0.025, 0.975], 49) / 49)
    assert (found.pp.low, found.pp.high) == pytest.approx(tuple(ends), rel=1e-9)
    assert found.beyond == pytest.approx(stats.norm.sf(2.0) + stats.norm.cdf(-4.0), rel=1e-9)


@given(st.integers(5, 200), st.floats(-2.0, 4.0), st.sampled_from([0.9, 0.95, 0.99]))
def test_one_limits_interval_is_that_of_the_noncentral_t(count, index, confidence):
    found = performance(sample_of(count, 10.0, 1.0), None, 10.0 + 3.0 * index, confidence)
    assert found.exact
    assert found.pp is None
    assert found.lower is None
    root, tail = 3.0 * np.sqrt(count), 0.5 * (1.0 - confidence)
    t = root * found.ppk.value
    assert stats.nct.sf(t, count - 1, root * found.ppk.low) == pytest.approx(tail, abs=1e-6)
    assert stats.nct.cdf(t, count - 1, root * found.ppk.high) == pytest.approx(tail, abs=1e-6)


def test_far_from_a_limit_only_the_spread_is_uncertain():
    found = performance(sample_of(22, 0.008, 0.0006), None, 0.5)
    ends = found.ppk.value * np.sqrt(stats.chi2.ppf([0.025, 0.975], 21) / 21)
    assert (found.ppk.low, found.ppk.high) == pytest.approx(tuple(ends), rel=1e-3)


@given(st.floats(-50.0, 50.0), st.floats(0.01, 100.0))
@settings(max_examples=30)
def test_the_unit_changes_nothing_and_sides_mirror(offset, scale):
    values = sample_of(20, 5.0, 0.4)
    first = performance(values, 4.0, 6.5)
    moved = performance(
        [offset + scale * v for v in values], offset + scale * 4.0, offset + scale * 6.5
    )
    turned = performance([-v for v in values], -6.5, -4.0)
    for name in ("pp", "ppk"):
        assert getattr(moved, name).value == pytest.approx(getattr(first, name).value, rel=1e-6)
        assert getattr(turned, name).low == pytest.approx(getattr(first, name).low, rel=1e-9)
    assert turned.beyond == pytest.approx(first.beyond, rel=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(21)
    index, part = np.zeros(2), np.zeros(2)
    draws = 400
    truth = stats.norm.sf(2.5) + stats.norm.cdf(-3.5)
    for _ in range(draws):
        values = rng.normal(0.0, 1.0, 15).tolist()
        for at, low in enumerate((None, -3.5)):
            found = performance(values, low, 2.5)
            index[at] += found.ppk.low <= 2.5 / 3.0 <= found.ppk.high
            beyond = stats.norm.sf(2.5) if low is None else truth
            part[at] += found.beyond_low <= beyond <= found.beyond_high
    # 95 %, within three standard errors; the handbook's approximation is not held to it so closely.
    assert index[0] / draws == pytest.approx(0.95, abs=0.033)
    assert 0.90 <= index[1] / draws <= 0.99
    assert part[0] / draws == pytest.approx(0.95, abs=0.033)
    assert part[1] / draws >= 0.95 - 0.033


@pytest.mark.parametrize(
    ("values", "low", "high"),
    [
        ([1.0, 2.0, 3.0, 4.0], 0.0, 5.0),
        ([2.0] * 9, 0.0, 5.0),
        ([1.0, 2.0, 3.0, 4.0, float("nan")], 0.0, 5.0),
        ([1.0, 2.0, 3.0, 4.0, 5.0], None, None),
    ],
)
def test_what_has_no_index(values, low, high):
    with pytest.raises(ValueError, match=r"index|spread"):
        performance(values, low, high)
