"""Calibrations and self-checks in the records: kept whole, for good, verified."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from rig.quality.calibration import (
    Calibration,
    CalibrationState,
    Correction,
    Point,
    Quantity,
    Reference,
    ReferenceKind,
    Setup,
    line_of,
    standing,
)
from rig.records.as_json import run_json
from rig.records.calibrations import RigCheckRecord, kept_of_rig
from rig.records.copies import back_up, restore
from rig.records.errors import RecordsError
from rig.records.show import run_text
from rig.records.store import Store
from rig.records.verify import verify

OLD = Path(__file__).with_name("data") / "revision_0001.sql"
MADE = datetime(2026, 3, 2, 9, 30, 1, 5, tzinfo=UTC)
DUE = date(2027, 3, 2)
SETUP = Setup("Low Meadow", "A", "pi", False, 1, 0x40, 0.005, 0.16)
POINTS = (
    Point(0.0, 0.0123, 0.002, 400, 0.0006),
    Point(2.488, 2.45, 0.003, 800, 0.0007, 0.0003, 0.001, 6.3),
    Point(6.238, 6.13, 0.003, 800, 0.0007, 0.0003, 0.003, None),
)


def calibration(**changes):
    references = (
        Reference(ReferenceKind.RESISTOR, "R 7", "C-12", date(2027, 1, 1), 2.5, 0.001, 0.0, 2.0),
        Reference(ReferenceKind.METER, "M 3", expanded_u=0.003),
    )
    current = line_of(Quantity.CURRENT, POINTS, Correction(1.01, 0.002, 0.005, 0.004, 1e-6))
    voltage = line_of(Quantity.VOLTAGE, POINTS[1:], Correction())
    made = Calibration(
        uuid4(), MADE, DUE, "R. Vale", SETUP, references, current, voltage, "clamps new", "0.1"
    )
    return replace(made, **changes)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "records.sqlite"


def alike(one, two):
    """Two calibrations to the last bit but for the residuals, which are worked out again."""
    for made in (one, two):
        for line in (made.current, made.voltage):
            assert len(line.residuals) == len(line.points)
    bare = [
        replace(
            m,
            current=replace(m.current, residuals=()),
            voltage=replace(m.voltage, residuals=()),
        )
        for m in (one, two)
    ]
    assert bare[0] == bare[1]
    assert one.current.residuals == pytest.approx(two.current.residuals, abs=1e-12)


def test_a_calibration_comes_back_as_it_went_in(path):
    made = calibration()
    with Store.open(path) as store:
        store.keep_calibration(made)
    with Store.open(path) as store:
        (kept,) = store.calibrations(rig="Low Meadow", station="A")
        assert store.calibrations(station="B") == store.calibrations(rig="Hilltop") == ()
    alike(kept, made)
    ((only,), checks) = kept_of_rig(path, "Low Meadow", "A")
    alike(only, made)
    assert checks == ()


def test_none_is_ever_written_over_and_the_newest_comes_first(path):
    first = calibration()
    second = calibration(made_at=MADE + timedelta(days=1))
    with Store.open(path) as store:
        store.keep_calibration(first)
        store.keep_calibration(second)
        with pytest.raises(RecordsError, match="already recorded"):
            store.keep_calibration(replace(first, operator="somebody else"))
        kept = store.calibrations()
    assert [m.calibration_id for m in kept] == [second.calibration_id, first.calibration_id]
    assert kept[1].operator == "R. Vale"


def test_a_run_keeps_how_its_station_stood(path, make):
    made = calibration()
    stood = standing([made], SETUP, date(2027, 4, 1))
    assert stood.state is CalibrationState.OVERDUE
    with Store.open(path) as store:
        store.keep_calibration(made)
        run = store.begin_run(make.run_start(calibration=stood))
        store.finish_run(run, make.run_end())
        # A newer one changes nothing of a run that was.
        store.keep_calibration(calibration(made_at=MADE + timedelta(days=700)))
        record = store.run(run)
    kept = record.start.calibration
    assert (kept.state, kept.on, kept.changed) == (stood.state, stood.on, ())
    alike(kept.calibration, made)
    shown = run_text(record)
    assert "CALIBRATION OVERDUE." in shown
    assert "due 2027-03-02" in shown
    told = run_json(record)["calibration"]
    assert told["state"] == "overdue"
    assert told["calibration"] == str(made.calibration_id)
    assert told["gain"] == made.current.correction.gain


def test_a_run_of_a_rig_that_never_was_and_one_of_before_are_told_apart(path, make):
    never = standing([], SETUP, DUE)
    with Store.open(path) as store:
        runs = [
            store.begin_run(make.run_start(calibration=c, simulated=False)) for c in (never, None)
        ]
        for run in runs:
            store.finish_run(run, make.run_end())
        shown = [run_text(store.run(run)) for run in runs]
        told = [run_json(store.run(run))["calibration"] for run in runs]
    assert "RIG NEVER CALIBRATED." in shown[0]
    assert "Calibration not recorded" in shown[1]
    assert told[0]["state"] == "never"
    assert told[1] is None


def test_records_of_an_older_program_have_none_and_are_not_touched_by_a_look(tmp_path):
    copy = tmp_path / "old.db"
    with closing(sqlite3.connect(copy)) as raw:
        raw.executescript(OLD.read_text())
    before = copy.read_bytes()
    assert kept_of_rig(copy, "Low Meadow", "A") == ((), ())
    assert copy.read_bytes() == before
    assert kept_of_rig(tmp_path / "none.sqlite", "Low Meadow", "A") == ((), ())
    with Store.open(copy) as store:
        assert store.calibrations() == ()
        store.keep_calibration(calibration())
    assert verify(copy).sound


def test_a_self_check_is_kept_with_its_date(path):
    check = RigCheckRecord(
        MADE, "Low Meadow", "A", "pi", False, None, True, True, "Nothing wrong found.",
        ({"name": "zero", "title": "Zero", "state": "good", "text": "fine"},), "0.1",
    )  # fmt: skip
    newer = replace(check, ended_at=MADE + timedelta(hours=1), good=True)
    with Store.open(path) as store:
        store.keep_rig_check(newer)
        store.keep_rig_check(check)
        store.keep_rig_check(replace(check, simulated=True, ended_at=MADE + timedelta(days=1)))
        assert store.newest_rig_check("Low Meadow", "A", simulated=False) == newer
        assert store.newest_rig_check("Low Meadow", "B", simulated=False) is None
    assert kept_of_rig(path, "Low Meadow", "A")[1][0] == newer


# --- verify, back up, restore -----------------------------------------------------------------


@pytest.fixture
def kept(path, make):
    made = calibration()
    with Store.open(path) as store:
        store.keep_calibration(made)
        stood = standing([made], SETUP, DUE)
        run = store.begin_run(make.run_start(calibration=stood))
        store.finish_run(run, make.run_end(judgement=None))
    return path


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("DELETE FROM calibration_points WHERE position = 1", "are missing or there twice"),
        ("DELETE FROM calibration_points", "has lost its points"),
        (
            "DELETE FROM calibration_lines WHERE quantity = 'current'",
            "has no line of the current",
        ),
        ("UPDATE calibrations SET due = 'soon'", "calibrations.due holds what cannot be"),
        ("UPDATE calibration_lines SET gain = 'x'", "calibration_lines.gain"),
        ("UPDATE calibrations SET held_against = '{'", "calibrations.held_against"),
        ("UPDATE runs SET calibration = '{}'", "not as halfturn writes it"),
        ("UPDATE runs SET calibration_id = NULL", "not as halfturn writes it"),
        ("DELETE FROM calibrations", "calibrations that is not there"),
    ],
)
def test_damage_is_found(kept, statement, says):
    assert verify(kept).sound
    with closing(sqlite3.connect(kept)) as raw:
        raw.execute(statement)
        raw.commit()
    assert any(says in problem.what for problem in verify(kept).problems)


def test_backup_and_restore_bring_them_along(kept, tmp_path):
    with Store.open(kept) as store:
        before = store.calibrations()
    back_up(kept, tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(kept)) as raw:
        raw.execute("DELETE FROM runs")
        raw.commit()
    restore(kept, tmp_path / "copy.sqlite")
    with Store.open(kept) as store:
        assert store.calibrations() == before
    assert verify(kept).counts["calibration_points"] == 5


def test_a_damaged_calibration_is_told_and_no_traceback(kept):
    with closing(sqlite3.connect(kept)) as raw:
        raw.execute("DELETE FROM calibration_points")
        raw.execute("DELETE FROM calibration_lines")
        raw.commit()
    with pytest.raises(RecordsError, match="not as halfturn writes it"):
        kept_of_rig(kept, "Low Meadow", "A")
    with Store.open(kept) as store, pytest.raises(RecordsError, match="not as halfturn"):
        store.calibrations()
