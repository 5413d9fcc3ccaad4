"""Fuse times against the gates that data sheets print."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.fuse import BLADE, BLADE_257, SERIES, earliest_s, latest_s, opens_after

_FILE = Path(__file__).parents[1] / "reference" / "blade_fuse_series.csv"
GATES = list(
    csv.DictReader(line for line in _FILE.read_text().splitlines() if not line.startswith("#"))
)


OF_32_V = ("blade_257", "blade_287", "blade_287_35", "mini_297")


@pytest.mark.parametrize(
    "gate",
    [g for g in GATES if g["series"] in SERIES],
    ids=lambda gate: f"{gate['series']}-{gate['percent']}",
)
@pytest.mark.parametrize("rating_a", [3.0, 10.0, 40.0])
def test_the_gates_of_the_sheets_are_met(gate: dict[str, str], rating_a: float) -> None:
    series, current_a = SERIES[gate["series"]], rating_a * float(gate["percent"]) / 100
    assert earliest_s(current_a, rating_a, series) == pytest.approx(float(gate["earliest_s"]))
    latest = float(gate["latest_s"]) if gate["latest_s"] else math.inf
    assert latest_s(current_a, rating_a, series) == pytest.approx(latest)


@pytest.mark.parametrize("gate", [g for g in GATES if g["series"] in OF_32_V])
def test_a_fuse_of_unknown_make_may_do_what_any_32_v_sheet_allows(gate: dict[str, str]) -> None:
    current_a = 10.0 * float(gate["percent"]) / 100
    least_s = float(gate["earliest_s"] or math.inf)  # an empty cell promises nothing
    assert earliest_s(current_a, 10.0) <= least_s * (1 + 1e-9)
    assert latest_s(current_a, 10.0) >= float(gate["latest_s"] or math.inf) * (1 - 1e-9)


def test_a_fuse_carries_its_rating_for_ever() -> None:
    assert earliest_s(10.0, 10.0) == math.inf
    assert latest_s(10.0, 10.0) == math.inf
    assert latest_s(13.0, 10.0) == math.inf  # below 135 % no sheet says when it must open


@given(
    st.floats(0, 400), st.floats(0, 400), st.floats(3, 40), st.sampled_from(list(SERIES.values()))
)
def test_more_current_never_lasts_longer(a, b, rating_a, series) -> None:
    low, high = sorted((a, b))
    assert earliest_s(high, rating_a, series) <= earliest_s(low, rating_a, series)
    assert latest_s(high, rating_a, series) <= latest_s(low, rating_a, series)
    assert earliest_s(a, rating_a, series) <= latest_s(a, rating_a, series)


@given(st.floats(14.0, 80.0))
def test_a_constant_current_opens_a_fuse_when_the_curve_says(current_a) -> None:
    time_s = np.concatenate(([0.0], np.geomspace(1e-3, 3600.0, 500)))
    opens = opens_after(time_s, np.full_like(time_s, current_a), 10.0, BLADE_257)
    assert opens.low_s == pytest.approx(earliest_s(current_a, 10.0, BLADE_257))
    assert opens.high_s == pytest.approx(latest_s(current_a, 10.0, BLADE_257))


def test_parts_of_a_fuse_used_up_add_up() -> None:
    """Half its time at 200 %, then as much of it as is left at 350 % (257 sheet: 5 s, 0.5 s)."""
    time_s = np.array([0.0, 2.5, 2.5 + 1e-9, 100.0])
    current_a = np.array([20.0, 20.0, 35.0, 35.0])
    assert opens_after(time_s, current_a, 10.0, BLADE_257).high_s == pytest.approx(2.75)


def test_only_what_was_seen_is_called_published() -> None:
    assert [name for name, series in SERIES.items() if not series.published] == ["iso_type_c"]
    assert all(series.source for series in SERIES.values())
    assert BLADE.published
