"""Constants of ranges against the published table."""

from __future__ import annotations

import csv
from math import pi, sqrt
from pathlib import Path

import pytest

from rig.quality.range_constants import c4, d2, d2_star, d3, range_limits

REFERENCE = Path(__file__).parents[1] / "reference"


def rows():
    lines = (REFERENCE / "range_constants.csv").read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"n={row['n']}")
def test_the_published_table(row):
    n = int(row["n"])
    low, high = range_limits(n)
    ours = {"d2": d2(n), "d3": d3(n), "c4": c4(n), "D3": low, "D4": high}
    # Four decimals are printed, one of them cut off instead of rounded.
    assert {name: pytest.approx(float(row[name]), abs=1.01e-4) for name in ours} == ours


def test_two_values_in_closed_form():
    assert d2(2) == pytest.approx(2 / sqrt(pi), abs=1e-7)
    assert d3(2) == pytest.approx(sqrt(2 - 4 / pi), abs=1e-6)


def test_the_published_constants_of_one_range():
    # d2* for one subgroup, n = 2..10, as printed with the AIAG example.
    printed = [1.41421, 1.91155, 2.23887, 2.48124, 2.67253, 2.82981, 2.96288, 3.07794, 3.17905]
    assert [d2_star(n) for n in range(2, 11)] == pytest.approx(printed, abs=2e-5)


@pytest.mark.parametrize("n", [1, 101])
def test_sizes_that_are_refused(n):
    with pytest.raises(ValueError, match="2 to 100"):
        d2(n)
