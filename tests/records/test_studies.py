"""Gauge studies and golden units in the records."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, timedelta
from pathlib import Path
from uuid import uuid4

import pytest

from rig.records.copies import back_up, restore
from rig.records.model import RunState
from rig.records.store import RecordsError, Store
from rig.records.study_model import GoldenStart, StudyStart, TrialPlanned
from rig.records.verify import verify

ORDER = tuple(
    TrialPlanned(part, operator, trial)
    for trial in (1, 2)
    for operator in ("jo", "ann")
    for part in ("U-1", "U-2")
)


def study_start(make, **changes):
    values = {
        "name": "spring",
        "plan_name": "qualify",
        "plan_text": make.run_start().plan_text,
        "station": "left",
        "began_at": make.T0,
        "seed": 7,
        "trials": ORDER,
    }
    return StudyStart(**(values | changes))


def golden_start(make, **changes):
    values = {
        "serial": "LM12-0041",
        "unit_type": "LM-12",
        "plan_name": "qualify",
        "station": "left",
        "baseline": 5,
        "measures": ("to_run", "run"),
        "declared_at": make.T0,
    }
    return GoldenStart(**(values | changes))


def made(store, make, end=RunState.FINISHED, **changes):
    """Record a run of one step that ended so (None: it goes on)."""
    run = store.begin_run(make.run_start(**changes))
    store.finish_step(run, make.step(1))
    if end is not None:
        store.finish_run(run, make.run_end(state=end))
    return run


# --- gauge studies --------------------------------------------------------------------------------


def test_a_study_is_kept_in_its_order(store, make):
    store.gauge.begin(study_start(make, note="before the season"))
    kept = store.gauge.study("spring")
    assert [(t.position, t.part, t.operator, t.trial) for t in kept.trials] == [
        (k, each.part, each.operator, each.trial) for k, each in enumerate(ORDER, start=1)
    ]
    assert (kept.seed, kept.note, kept.done) == (7, "before the season", 0)
    assert kept.plan_text == make.run_start().plan_text
    assert [study.name for study in store.gauge.all()] == ["spring"]


def test_a_name_is_given_once(store, make):
    store.gauge.begin(study_start(make))
    with pytest.raises(RecordsError, match="There is a gauge study “spring” already"):
        store.gauge.begin(study_start(make))
    with pytest.raises(RecordsError, match=r"no gauge study “summer”.*There is: spring"):
        store.gauge.study("summer")


def test_a_run_is_a_trials_from_its_first_row_on(store, make):
    store.gauge.begin(study_start(make))
    first = store.gauge.study("spring").next_trial
    run = made(store, make, None, gauge_trial=first.trial_id)
    assert store.run(run).start.gauge_trial == first.trial_id
    going_on = store.gauge.study("spring").trials[0]
    assert ([each.run_id for each in going_on.runs], going_on.run) == ([run], None)
    store.finish_run(run, make.run_end())
    kept = store.gauge.study("spring")
    assert (kept.trials[0].run.run_id, kept.done, kept.next_trial.position) == (run, 1, 2)


@pytest.mark.parametrize("end", [RunState.STOPPED, RunState.INTERRUPTED])
def test_a_run_without_its_end_does_not_count(store, make, end):
    store.gauge.begin(study_start(make))
    first = store.gauge.study("spring").next_trial
    made(store, make, end, gauge_trial=first.trial_id)
    again = made(store, make, gauge_trial=first.trial_id, started_at=make.T0 + timedelta(minutes=5))
    trial = store.gauge.study("spring").trials[0]
    assert (len(trial.runs), trial.run.run_id) == (2, again)


def test_a_bad_run_is_repeated_and_kept(store, make):
    store.gauge.begin(study_start(make))
    first = store.gauge.study("spring").next_trial
    bad = made(store, make, gauge_trial=first.trial_id)
    store.gauge.set_aside("spring", 1, "the clamp was loose")
    kept = store.gauge.study("spring").trials[0]
    assert (kept.run, kept.runs[0].set_aside) == (None, "the clamp was loose")
    with pytest.raises(RecordsError, match="no run that counts"):
        store.gauge.set_aside("spring", 1, "once more")
    good = made(store, make, gauge_trial=first.trial_id, started_at=make.T0 + timedelta(minutes=5))
    study, runs = store.gauge.measured("spring")
    assert [run.run_id for run in study.trials[0].runs] == [bad, good]
    assert [run.summary.run_id for run in runs.values()] == [good]
    assert store.run(bad).end.state is RunState.FINISHED
    with pytest.raises(RecordsError, match="no trial 9: it has 8"):
        store.gauge.set_aside("spring", 9, "why")


def test_no_run_begins_for_a_trial_that_is_not_there(store, make):
    with pytest.raises(RecordsError, match="was not begun"):
        store.begin_run(make.run_start(gauge_trial=uuid4()))
    assert store.runs() == []


# --- golden units ---------------------------------------------------------------------------------


def test_checks_are_the_finished_runs_of_unit_plan_and_station_since(store, make):
    golden = store.golden.declare(golden_start(make))
    later = make.T0 + timedelta(hours=1)
    made(store, make, started_at=make.T0 - timedelta(days=1))
    first = made(store, make, started_at=make.T0 + timedelta(minutes=1))
    for others in (
        {"unit_serial": "LM12-0042"},
        {"plan_name": "incoming"},
        {"station": "right"},
        {"end": RunState.STOPPED},
    ):
        made(store, make, **{"started_at": later, **others})
    second = made(store, make, started_at=later)
    checks = checks_of(store, golden, make.T0)
    assert [run.summary.run_id for run in checks] == [first, second]
    assert len(checks[0].half_turns) == 2


def checks_of(store, golden, at, number=None):
    """Return the checks of a simulated bench, by the calendar of a fortnight after ``at``."""
    today = (at + timedelta(days=14)).date()
    return store.golden.checks(golden, number, simulated=True, today=today, zone=UTC)


def test_the_checks_of_either_world_are_their_own(store, make):
    golden = store.golden.declare(golden_start(make))
    assert store.golden.worlds(golden) == ()
    real, virtual = (made(store, make, simulated=world) for world in (False, True))
    assert store.golden.worlds(golden) == (False, True)
    assert [run.summary.run_id for run in checks_of(store, golden, make.T0)] == [virtual]
    today = make.T0.date()
    [found] = store.golden.checks(golden, simulated=False, today=today, zone=UTC)
    assert found.summary.run_id == real
    assert found.summary.simulated is False


def test_checks_come_in_the_order_of_the_record_whatever_the_clock_said(store, make):
    golden = store.golden.declare(golden_start(make))
    offsets = (-9, 3000, 1, 2000, 2, -5, 3)  # days: the first two belong to no baseline
    ids = [made(store, make, started_at=make.T0 + timedelta(days=days)) for days in offsets]
    found = checks_of(store, golden, make.T0)
    assert [run.summary.run_id for run in found] == ids[2:]
    # A new baseline after the clock was set: nothing dated ahead before it comes into it.
    store.golden.new_baseline(golden, make.T0 + timedelta(days=4), "new shunt", "jo")
    assert checks_of(store, golden, make.T0) == ()
    ids += [made(store, make, started_at=make.T0 + timedelta(days=days)) for days in (5, 2000, 6)]
    found = checks_of(store, golden, make.T0)
    assert [run.summary.run_id for run in found] == ids[7:]
    found = checks_of(store, golden, make.T0, 1)
    assert [run.summary.run_id for run in found] == ids[2:7]


def test_a_baseline_begun_ahead_does_not_shut_the_next_one_out(store, make):
    golden = store.golden.declare(golden_start(make))
    made(store, make, started_at=make.T0 + timedelta(days=1))
    store.golden.new_baseline(golden, make.T0 + timedelta(days=2000), "clock ahead", "jo")
    made(store, make, started_at=make.T0 + timedelta(days=2))
    assert checks_of(store, golden, make.T0) == ()
    store.golden.new_baseline(golden, make.T0 + timedelta(days=3), "clock set", "jo")
    new = made(store, make, started_at=make.T0 + timedelta(days=4))
    assert [run.summary.run_id for run in checks_of(store, golden, make.T0)] == [new]


def test_a_new_baseline_keeps_the_old_one(store, make):
    golden = store.golden.declare(golden_start(make))
    old = made(store, make, started_at=make.T0 + timedelta(minutes=1))
    store.golden.new_baseline(golden, make.T0 + timedelta(days=1), "new shunt", "jo")
    new = made(store, make, started_at=make.T0 + timedelta(days=2))
    found = store.golden.find("LM12-0041")
    assert [(b.number, b.reason, b.operator) for b in found.baselines] == [
        (1, "declared", ""),
        (2, "new shunt", "jo"),
    ]
    assert [run.summary.run_id for run in checks_of(store, golden, make.T0)] == [new]
    assert [run.summary.run_id for run in checks_of(store, golden, make.T0, 1)] == [old]
    with pytest.raises(RecordsError, match="no baseline 3"):
        checks_of(store, golden, make.T0, 3)


def test_a_unit_is_golden_once_for_a_plan_and_station(store, make):
    golden = store.golden.declare(golden_start(make))
    with pytest.raises(RecordsError, match="golden by the plan qualify on station left already"):
        store.golden.declare(golden_start(make))
    store.golden.declare(golden_start(make, station="right"))
    with pytest.raises(RecordsError, match="golden more than once"):
        store.golden.find("LM12-0041")
    assert store.golden.find("LM12-0041", station="left").golden_id == golden
    assert len(store.golden.in_use("right")) == 1
    store.golden.withdraw(golden, make.T0)
    assert store.golden.find("LM12-0041").station == "right"
    store.golden.declare(golden_start(make))  # and again, later
    with pytest.raises(RecordsError, match="is no golden unit"):
        store.golden.find("LM12-0099")


def test_what_the_golden_units_said_is_kept_with_a_run(store, make):
    said = {"standing": "in_control", "text": "The rig is in control.", "serial": "G-1"}
    run = store.begin_run(make.run_start(golden=said))
    assert store.run(run).start.golden == said
    assert store.run(store.begin_run(make.run_start())).start.golden is None


# --- verified, backed up, restored ----------------------------------------------------------------


@pytest.fixture(scope="module")
def sound(tmp_path_factory, make):
    path = tmp_path_factory.mktemp("studies") / "records.db"
    with Store.open(path) as store:
        store.gauge.begin(study_start(make))
        trial = store.gauge.study("spring").next_trial
        made(store, make, gauge_trial=trial.trial_id)
        golden = store.golden.declare(golden_start(make))
        store.golden.new_baseline(golden, make.T0, "new shunt", "jo")
    return path


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DELETE FROM gauge_trials WHERE position = 3", "Some gauge-trials of the rig's own"),
        ("DELETE FROM gauge_studies", "belongs to one of gauge_studies that is not there"),
        ("DELETE FROM runs", "A row of gauge_runs belongs to one of runs that is"),
        ("DELETE FROM golden_baselines WHERE position = 0", "Some golden-baselines of the"),
        ("DELETE FROM golden_baselines", "A golden unit has no baseline"),
        ("UPDATE golden_units SET measures = '['", "golden_units.measures holds what cannot be"),
        ("UPDATE runs SET golden = '{'", "runs.golden holds what cannot be"),
    ],
)
def test_verify_knows_the_studies(sound, tmp_path, statement, words):
    path = Path(shutil.copy(sound, tmp_path))
    assert verify(path).sound
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(statement)
        raw.commit()
    found = [problem.what for problem in verify(path).problems]
    assert any(words in what for what in found), found


def test_a_backup_restored_has_them(sound, tmp_path):
    path = Path(shutil.copy(sound, tmp_path))
    copy = back_up(path, tmp_path / "copy.db").path
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DELETE FROM golden_baselines")
        raw.commit()
    restore(path, copy)
    with Store.open(path) as store:
        assert [b.reason for b in store.golden.find("LM12-0041").baselines] == [
            "declared",
            "new shunt",
        ]
        assert store.gauge.study("spring").done == 1


def test_a_golden_unit_that_lost_its_baseline_is_told_as_damage(sound, tmp_path):
    path = Path(shutil.copy(sound, tmp_path))
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DELETE FROM golden_baselines")
        raw.commit()
    with Store.open(path) as store, pytest.raises(RecordsError, match="not as halfturn writes it"):
        store.golden.in_use()
