"""Gauge studies against the published example, least squares, and a simulation."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from gauge_values import drawn, readings
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.quality.gauge_study import Reading, StudyError, study, study_by_ranges

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="module")
def example():
    lines = (REFERENCE / "gauge_study_aiag.csv").read_text().splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [Reading(r["part"], r["operator"], int(r["trial"]), float(r["value"])) for r in rows]


# --- AIAG, Measurement Systems Analysis, 4th edition, chapter III-B -------------------------------


def test_the_published_table(example):
    lines = {line.source: line for line in study(example, pool_above_p=1.0).table}
    found = {name: (line.df, line.sum_sq) for name, line in lines.items()}
    assert found == {
        "part": (9, pytest.approx(88.36193, abs=6e-6)),
        "operator": (2, pytest.approx(3.16726, abs=6e-6)),
        "interaction": (18, pytest.approx(0.35898, abs=6e-6)),
        "repeatability": (60, pytest.approx(2.75893, abs=6e-6)),
        "total": (89, pytest.approx(94.64711, abs=6e-6)),
    }
    against_interaction = [lines["part"].f, lines["operator"].f]
    assert against_interaction == pytest.approx([492.29, 79.41], abs=0.006)
    assert lines["interaction"].f == pytest.approx(0.434, abs=6e-4)
    assert lines["interaction"].p == pytest.approx(0.974, abs=6e-4)


def test_the_published_components(example):
    found = study(example, tolerance=8.0)
    assert found.pooled
    assert {line.source: line.df for line in found.table}["repeatability"] == 78
    printed = {
        # variance, standard deviation, % study variation
        "repeatability": (0.03997, 0.19993, 18.42),
        "reproducibility": (0.05146, 0.22684, 20.90),
        "gauge": (0.09143, 0.30237, 27.86),
        "part": (1.08645, 1.04233, 96.04),
        "total": (1.17788, 1.08530, 100.0),
    }
    for share in found.shares:
        if share.name in printed:
            variance, sd, percent = printed[share.name]
            assert share.variance == pytest.approx(variance, abs=6e-6), share.name
            assert share.sd == pytest.approx(sd, abs=6e-6), share.name
            assert 100 * share.study == pytest.approx(percent, abs=0.006), share.name
    assert 100 * found.gauge.contribution == pytest.approx(7.76, abs=0.006)
    assert 100 * found.part.contribution == pytest.approx(92.24, abs=0.006)
    assert 100 * found.gauge.tolerance == pytest.approx(22.68, abs=0.006)
    assert 100 * found.part.tolerance == pytest.approx(78.17, abs=0.006)
    assert found.categories == 4  # 4.86: truncated, not rounded


def test_the_interaction_kept(example):
    found = study(example, pool_above_p=1.0)
    assert not found.pooled
    assert found.interaction.variance == 0.0  # it came out negative
    assert found.gauge.variance == pytest.approx(0.098105, abs=6e-7)
    assert found.part.variance == pytest.approx(1.088672, abs=6e-7)
    assert 100 * found.gauge.study == pytest.approx(28.75, abs=0.006)
    assert found.categories == 4


def test_the_published_averages_and_ranges(example):
    found = study_by_ranges(example)
    ours = (found.repeatability, found.reproducibility, found.gauge, found.part, found.total)
    # The manual's constants have four digits.
    assert ours == pytest.approx((0.20188, 0.22963, 0.30575, 1.10456, 1.14610), rel=5e-4)
    assert found.categories == 5
    assert found.mean_range == pytest.approx(0.3417, abs=6e-5)
    assert found.range_limit == pytest.approx(0.880, abs=6e-4)
    assert found.outside == (("4", "B"),)


# --- independent ways --------------------------------------------------------------------------


def residual(y, *columns):
    """The residual sum of squares of a least-squares fit on dummy variables."""
    design = np.concatenate([np.ones((len(y), 1)), *columns], axis=1)
    fitted, *_ = np.linalg.lstsq(design, y, rcond=None)
    return float(np.sum((y - design @ fitted) ** 2))


def dummies(*labels):
    names = np.unique(np.stack(labels), axis=1, return_inverse=True)[1].ravel()
    return (names[:, None] == np.arange(names.max() + 1)[None, :]).astype(float)


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 5), st.integers(2, 4), st.integers(2, 4), st.integers(0, 2**32 - 1))
def test_sums_of_squares_are_those_of_least_squares(p, o, r, seed):
    values = np.random.default_rng(seed).normal(100.0, 1.0, (p, o, r))
    index = np.indices((p, o, r)).reshape(3, -1)
    y = values.ravel()
    part, operator, cell = dummies(index[0]), dummies(index[1]), dummies(index[0], index[1])
    nothing, of_parts, of_operators = residual(y), residual(y, part), residual(y, operator)
    both, cells = residual(y, part, operator), residual(y, cell)
    table = {line.source: line for line in study(readings(values), pool_above_p=1.0).table}
    wanted = {
        "part": nothing - of_parts,
        "operator": nothing - of_operators,
        "interaction": both - cells,
        "repeatability": cells,
        "total": nothing,
    }
    for source, sum_sq in wanted.items():
        assert table[source].sum_sq == pytest.approx(sum_sq, rel=1e-7, abs=1e-9), source


def test_components_and_intervals_of_a_known_gauge():
    rng = np.random.default_rng(20)
    true = {"part": 1.0, "operator": 0.3, "operator x part": 0.2, "repeatability": 0.4}
    found = {name: [] for name in true}
    inside = {"gauge": 0, "repeatability": 0}
    runs = 400
    for _ in range(runs):
        one = study(readings(drawn(rng, 10, 3, 3, *true.values())), pool_above_p=1.0)
        shares = {share.name: share for share in one.shares}
        for name, values in found.items():
            values.append(shares[name].variance)
        for name, variance in (("gauge", 0.3**2 + 0.2**2 + 0.4**2), ("repeatability", 0.4**2)):
            inside[name] += shares[name].low <= variance <= shares[name].high
    for name, sd in true.items():
        values = np.array(found[name])
        # Without bias, but for what taking negative ones as 0 adds (operator: rarely).
        assert values.mean() == pytest.approx(sd**2, abs=4 * values.std() / runs**0.5), name
    # 95 % intervals; the modified large-sample one is known to cover a little more.
    assert 0.92 <= inside["repeatability"] / runs <= 0.98
    assert 0.92 <= inside["gauge"] / runs <= 0.995


def test_the_interval_of_a_gauge_that_is_nearly_all_repeatability():
    rng = np.random.default_rng(21)
    inside = 0
    for _ in range(60):
        one = study(readings(drawn(rng, 20, 4, 5, 1.0, 0.05, 0.05, 1.0)), pool_above_p=1.0)
        inside += one.gauge.low <= 0.05**2 + 0.05**2 + 1.0 <= one.gauge.high
    assert inside / 60 >= 0.9


# --- what is refused, and edges -------------------------------------------------------------------


def test_a_missing_cell_is_named(example):
    with pytest.raises(StudyError, match=r"1 value is missing: part 4, B, trial 2\. Make"):
        study([r for r in example if (r.part, r.operator, r.trial) != ("4", "B", 2)])


def test_unequal_numbers_of_trials_are_refused(example):
    with pytest.raises(StudyError, match="29 values are missing"):
        study([*example, Reading("1", "A", 4, 0.3)])


def test_a_value_twice_is_refused(example):
    with pytest.raises(StudyError, match="two values for part 1, A, trial 1"):
        study([*example, example[0]])


@pytest.mark.parametrize(
    ("shape", "named"), [((1, 2, 2), "parts"), ((2, 1, 2), "operators"), ((2, 2, 1), "trials")]
)
def test_too_few_of_anything_is_refused(shape, named):
    with pytest.raises(StudyError, match=f"at least 2 {named}, and there is 1"):
        study(readings(np.arange(np.prod(shape), dtype=float).reshape(shape)))


def test_a_value_that_is_none_is_refused(example):
    with pytest.raises(StudyError, match="no value for part P0, O0, trial 1"):
        study(readings(np.full((2, 2, 2), np.nan)))


def test_equal_values_have_nothing_to_compare():
    with pytest.raises(StudyError, match="Every value is the same"):
        study(readings(np.full((3, 2, 2), 0.1)))


def test_rounding_is_no_variance():
    parts = np.array([1.8, 1.9, 2.1])[:, None, None] * np.ones((3, 2, 3))
    found = study(readings(parts))
    assert found.gauge.variance == 0.0
    assert found.categories == 1000  # more than anybody counts


@settings(max_examples=20, deadline=None)
@given(st.floats(0.001, 1000.0), st.floats(-1000.0, 1000.0), st.integers(0, 1000))
def test_unit_and_origin_change_no_share(scale, origin, seed):
    values = np.random.default_rng(seed).normal(0.0, 1.0, (4, 2, 3))
    one = study(readings(values), pool_above_p=0.0 if seed % 2 else 1.0)
    other = study(readings(origin + scale * values), pool_above_p=0.0 if seed % 2 else 1.0)
    for mine, its in zip(one.shares, other.shares, strict=True):
        assert its.study == pytest.approx(mine.study, abs=1e-6)
        assert its.sd == pytest.approx(scale * mine.sd, rel=1e-5, abs=1e-9 * scale)
