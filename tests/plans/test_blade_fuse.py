"""Fuse times against the gates that data sheets print."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.blade_fuse import earliest_s, latest_s

_FILE = Path(__file__).parents[1] / "reference" / "blade_fuse_gates.csv"
GATES = list(
    csv.DictReader(line for line in _FILE.read_text().splitlines() if not line.startswith("#"))
)


@pytest.mark.parametrize("gate", GATES, ids=lambda gate: gate["percent"])
@pytest.mark.parametrize("rating_a", [3.0, 10.0, 40.0])
def test_the_gates_of_the_sheets_are_met(gate: dict[str, str], rating_a: float) -> None:
    current_a = rating_a * float(gate["percent"]) / 100
    assert earliest_s(current_a, rating_a) == pytest.approx(float(gate["earliest_s"]))
    latest = float(gate["latest_s"]) if gate["latest_s"] else math.inf
    assert latest_s(current_a, rating_a) == pytest.approx(latest)


def test_a_fuse_carries_its_rating_for_ever() -> None:
    assert earliest_s(10.0, 10.0) == math.inf
    assert latest_s(10.0, 10.0) == math.inf


@given(st.floats(0, 400), st.floats(0, 400), st.floats(3, 40))
def test_more_current_never_lasts_longer(a: float, b: float, rating_a: float) -> None:
    low, high = sorted((a, b))
    assert earliest_s(high, rating_a) <= earliest_s(low, rating_a)
    assert latest_s(high, rating_a) <= latest_s(low, rating_a)
    assert earliest_s(a, rating_a) <= latest_s(a, rating_a)
