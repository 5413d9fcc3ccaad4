"""The straight line against certified and published results."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.quality.line_fit import fit_line

REFERENCE = Path(__file__).parents[1] / "reference"


def scatter_of(line, points):
    return math.sqrt(sum(r * r for r in line.residuals) / (points - 2))


def test_it_agrees_with_nist_certified_values_for_norris():
    """NIST StRD, Norris: certified to 15 digits; twelve are kept here."""
    text = (REFERENCE / "norris.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    x, y = [float(r["x"]) for r in rows], [float(r["y"]) for r in rows]
    line = fit_line(x, y, [1.0] * len(x), [0.0] * len(x))
    s = scatter_of(line, len(x))
    (intercept_var, _), (_, slope_var) = line.covariance
    assert len(rows) == 36
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert s == pytest.approx(0.884796396144373, rel=1e-11)
    assert s * math.sqrt(intercept_var) == pytest.approx(0.232818234301152, rel=1e-11)
    assert s * math.sqrt(slope_var) == pytest.approx(0.429796848199937e-3, rel=1e-11)


def test_it_agrees_with_the_thermometer_of_the_guide():
    """JCGM 100:2008, H.3: readings, and the printed results to their last digit.

    The readings are from memory; that all six printed results follow from them confirms them.
    """
    read_c = [
        21.521,
        22.012,
        22.512,
        23.003,
        23.507,
        23.999,
        24.513,
        25.002,
        25.503,
        26.010,
        26.511,
    ]
    correction_c = [-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]
    line = fit_line(
        [t - 20.0 for t in read_c], [b / 1000 for b in correction_c], [1.0] * 11, [0.0] * 11
    )
    s = scatter_of(line, 11)
    (a, both), (_, b) = line.covariance
    printed = (
        (line.intercept, 4, -0.1712),
        (line.slope, 5, 0.00218),
        (s, 4, 0.0035),
        (s * math.sqrt(a), 4, 0.0029),
        (s * math.sqrt(b), 5, 0.00067),
        (both / math.sqrt(a * b), 3, -0.930),
    )
    for value, digits, expected in printed:
        assert round(value, digits) == expected


@given(
    st.floats(0.9, 1.1),
    st.floats(-0.1, 0.1),
    st.lists(st.floats(-5, 50), min_size=2, max_size=6, unique=True).filter(
        lambda xs: max(xs) - min(xs) > 0.1
    ),
)
def test_points_on_a_line_give_that_line_whatever_their_weights(slope, level, x):
    y = [level + slope * one for one in x]
    line = fit_line(x, y, [0.001 * (1 + n) for n in range(len(x))], [0.01] * len(x))
    assert line.slope == pytest.approx(slope, abs=1e-6)
    assert line.intercept == pytest.approx(level, abs=1e-6)
    assert max(map(abs, line.residuals)) < 1e-6


def test_a_meter_that_is_off_by_a_share_puts_that_share_into_the_gain_however_many_points():
    """A scale error is common to all points: averaging does not make it smaller (JCGM 100, 5.2)."""
    for count in (2, 4, 40):
        x = [10.0 * n / count for n in range(1, count + 1)]
        line = fit_line([0.0, *x], [0.0, *x], [1e-6] * (count + 1), [0.0, *(0.002 * v for v in x)])
        assert math.sqrt(line.covariance[1][1]) == pytest.approx(0.002, rel=1e-3)


@pytest.mark.parametrize(
    ("x", "own_u", "says"),
    [
        ([1.0], [1.0], "two different"),
        ([2.0, 2.0], [1.0, 1.0], "two different"),
        ([1.0, 2.0], [1.0, 0.0], "above zero"),
    ],
)
def test_what_gives_no_line_is_refused(x, own_u, says):
    with pytest.raises(ValueError, match=says):
        fit_line(x, x, own_u, [0.0] * len(x))
