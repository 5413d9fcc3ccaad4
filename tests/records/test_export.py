from __future__ import annotations

import csv
import io
from dataclasses import fields
from uuid import UUID

import pytest

from rig.analysis.model import HalfTurn, Measure
from rig.records.export import (
    HALF_TURN_COLUMNS,
    MEASURE_COLUMNS,
    half_turns_csv,
    measures_csv,
)
from rig.records.model import RunRecord


def rows(text: str):
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.fixture
def run(make):
    measures = (Measure("offset_a", 1 / 3, "A", 0.001), Measure("odd", None, "s"))
    first = make.step(1, measures=measures)
    second = make.step(2, half_turns=(make.half_turn(1, note='said "no", then\nstopped'),))
    return RunRecord(UUID(int=5), make.run_start(), (first, second), (), None)


def test_one_row_per_half_turn_with_every_measure(run, make):
    found = rows(half_turns_csv(run))
    assert [row["step"] + row["half_turn"] for row in found] == ["11", "12", "21"]
    assert list(found[0]) == list(HALF_TURN_COLUMNS)
    # all that a half-turn holds is in the row, and reads back exactly
    for field in fields(HalfTurn):
        column = "half_turn" if field.name == "number" else field.name
        value = getattr(make.half_turn(1), field.name)
        cell = found[0][column]
        assert (type(value)(float(cell)) if isinstance(value, float | int) else cell) == value
    assert found[1]["half_turn_s"] == ""
    assert found[1]["outcome"] == "stalled"
    assert found[2]["note"] == 'said "no", then\nstopped'


def test_one_row_per_measure_with_unit_and_uncertainty(run):
    found = rows(measures_csv(run))
    assert list(found[0]) == list(MEASURE_COLUMNS)
    assert found[0]["measure"] == "offset_a"
    assert float(found[0]["value"]) == 1 / 3
    assert (found[0]["unit"], found[0]["expanded_u"], found[0]["half_turn"]) == ("A", "0.001", "")
    assert found[1]["value"] == ""
    peaks = [list(row.values())[3:] for row in found if row["measure"] == "peak_a"]
    assert peaks == [
        ["1", "half_turns", "1", "to_run", "parked", "peak_a", "14.37", "A", "0.15"],
        ["1", "half_turns", "2", "to_stop", "stalled", "peak_a", "14.37", "A", "0.15"],
        ["2", "half_turns", "1", "to_run", "parked", "peak_a", "14.37", "A", "0.15"],
    ]
    # the stalled one has no half-turn time
    assert [row["half_turn"] for row in found if row["measure"] == "half_turn_s"] == ["1", "1"]


def test_a_simulated_run_says_so_in_every_row(run):
    for text in (half_turns_csv(run), measures_csv(run)):
        assert {row["simulated"] for row in rows(text)} == {"1"}


def test_a_run_without_steps_is_a_header(make):
    empty = RunRecord(UUID(int=5), make.run_start(), (), (), None)
    assert half_turns_csv(empty) == ",".join(HALF_TURN_COLUMNS) + "\r\n"  # RFC 4180, 2.1
    assert rows(measures_csv(empty)) == []
