"""The tables of lot sampling, cell by cell, against printed copies."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.quality.lots import accept_probability
from rig.quality.sampling_tables import (
    AQLS,
    LOT_MOST,
    Level,
    SamplingError,
    Severity,
    code_letter,
    master_cell,
    sampling_plan,
    tighter_aql,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name):
    lines = (REFERENCE / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# --- against the copies ---------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("sampling_code_letters.csv"), ids=lambda r: r["lot_min"])
def test_code_letters(row):
    ends = (int(row["lot_min"]), int(row["lot_max"] or LOT_MOST))
    for level in Level:
        assert [code_letter(size, level) for size in ends] == 2 * [row[level.value]]


@pytest.mark.parametrize(("severity", "doubted"), list(zip(Severity, (0, 1, 10), strict=True)))
def test_every_cell_of_the_printed_table(severity, doubted):
    unsure = []
    for row in rows(f"single_sampling_{severity.value}.csv"):
        for aql in list(row)[1:]:
            letter, n, ac = master_cell(row["letter"], float(aql), severity)
            if row[aql] == "?":
                unsure.append((row["letter"], float(aql)))
            else:
                assert f"{letter} {n}/{ac}" == row[aql], (row["letter"], aql)
    assert len(unsure) == doubted


@pytest.mark.parametrize(
    ("severity", "size", "level", "aql", "plan"),
    [
        # One of each kind by hand: at the number, arrow up, arrow down, past the last row.
        (Severity.NORMAL, 1000, Level.II, 1.0, ("J", "J", 80, 2, 3)),
        (Severity.NORMAL, 60, Level.II, 1.5, ("E", "D", 8, 0, 1)),
        (Severity.NORMAL, 100, Level.II, 1.0, ("F", "E", 13, 0, 1)),
        (Severity.NORMAL, 200, Level.II, 1.0, ("G", "H", 50, 1, 2)),
        (Severity.NORMAL, 600_000, Level.III, 10.0, ("R", "K", 125, 21, 22)),
        (Severity.TIGHTENED, 600_000, Level.III, 0.025, ("R", "S", 3150, 1, 2)),
        (Severity.TIGHTENED, 300_000, Level.III, 0.025, ("Q", "S", 3150, 1, 2)),
        (Severity.REDUCED, 400, Level.II, 4.0, ("H", "H", 20, 3, 4)),
    ],
)
def test_plans(severity, size, level, aql, plan):
    made = sampling_plan(size, level, aql, severity)
    assert (made.lot_letter, made.letter, made.n, made.ac, made.re) == plan
    assert not made.whole
    assert made.doubt == ""


# --- where copies disagree ------------------------------------------------------------------------


def doubtful(severity):
    return {
        (row["letter"], float(aql))
        for row in rows(f"single_sampling_{severity.value}.csv")
        for aql, cell in row.items()
        if cell == "?"
    }


@pytest.mark.parametrize("severity", Severity)
def test_a_cell_that_copies_disagree_about_says_so_and_no_other_does(severity):
    told = {
        (plan.lot_letter, plan.aql)
        for lot in rows("sampling_code_letters.csv")
        for level in Level
        for aql in AQLS
        if (plan := sampling_plan(int(lot["lot_min"]), level, aql, severity)).doubt
    }
    assert told == doubtful(severity)


def test_what_is_taken_in_doubt():
    reduced = sampling_plan(1000, Level.II, 4.0, Severity.REDUCED)
    assert (reduced.n, reduced.ac) == (32, 4)
    assert "4, or of 5. The stricter, 4, is taken" in reduced.doubt
    tightened = sampling_plan(40, Level.S_1, 10.0, Severity.TIGHTENED)
    assert (tightened.lot_letter, tightened.n, tightened.ac) == ("A", 8, 1)
    assert "three copies of four" in tightened.doubt


# --- small lots and refusals ----------------------------------------------------------------------


def test_a_lot_no_larger_than_its_sample_is_inspected_whole():
    whole = sampling_plan(13, Level.III, 1.0)
    assert (whole.table_n, whole.n, whole.whole) == (13, 13, True)
    smaller = sampling_plan(5, Level.II, 1.0)
    assert (smaller.table_n, smaller.n, smaller.ac, smaller.whole) == (13, 5, 0, True)
    assert not sampling_plan(14, Level.III, 1.0).whole


@pytest.mark.parametrize(
    ("size", "words"), [(1, "begin at 2"), (0, "begin at 2"), (-5, "begin at 2"), (10**8, "larger")]
)
def test_lots_that_are_none(size, words):
    with pytest.raises(SamplingError, match=words) as caught:
        sampling_plan(size, Level.II, 1.0)
    assert caught.value.about == "size"


@pytest.mark.parametrize(
    ("aql", "words"),
    [
        (2.0, r"no AQL of 2 %. Give one of 0.01, .*10\."),
        (0.0, "no AQL of 0 %"),
        (float("nan"), "no AQL"),
        (15.0, "nonconformities per 100 units"),
    ],
)
def test_aqls_that_are_none(aql, words):
    with pytest.raises(SamplingError, match=words) as caught:
        sampling_plan(500, Level.II, aql)
    assert caught.value.about == "aql"


def test_the_next_tighter_aql():
    assert tighter_aql(1.0) == 0.65
    assert tighter_aql(10) == 6.5
    assert tighter_aql(0.010) is None


# --- any plan -------------------------------------------------------------------------------------

LOTS = st.tuples(st.integers(2, LOT_MOST), st.sampled_from(Level), st.sampled_from(AQLS))


@given(LOTS, st.floats(0.0, 1.0))
def test_tightened_inspection_is_never_kinder_than_normal(lot, share):
    normal, tightened = (
        sampling_plan(*lot, severity) for severity in (Severity.NORMAL, Severity.TIGHTENED)
    )
    of_normal = accept_probability(normal.table_n, normal.ac, share)
    assert accept_probability(tightened.table_n, tightened.ac, share) <= of_normal + 1e-12


@given(LOTS)
def test_reduced_inspection_is_never_more_work(lot):
    assert sampling_plan(*lot, Severity.REDUCED).n <= sampling_plan(*lot).n
