"""`halfturn records take-in`: another bench's runs, whole, none twice, and nothing here changed."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from datetime import timedelta
from math import nan
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import UUID, uuid4

import drawn_runs
import pytest
import whole_records
from at_the_prompt import halfturn
from fuzz_targets import check_message
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recorded import library
from sqlalchemy.exc import OperationalError

from rig.exchange import from_csv, workspace
from rig.exchange import take_in as taking
from rig.exchange.fields import kept_table
from rig.exchange.out import Asked, export
from rig.exchange.package import sum_of
from rig.exchange.take_in import take_in
from rig.records.bundles import Kind
from rig.records.copies import back_up
from rig.records.errors import RecordsError
from rig.records.model import RunFilter, RunState
from rig.records.store import Store
from rig.records.transfer import Fate
from rig.records.verify import verify

FORMATS = ("csv", "parquet")
WAYS = (*FORMATS, "file")
DATA = Path(__file__).with_name("data")


def brought(records, folder, way):
    """Return what is taken in from, made of ``records`` in one of three ways."""
    if way == "file":
        return records
    export(records, folder / way, Asked(format=way, with_traces=True))
    return folder / way


def sums(records):
    with Store.open(records, create=False) as store:
        return {run.run_id: store.checksum(run.run_id) for run in store.runs(limit=None)}


def tables(records):
    """Every row of the records, whoever wrote them; but which bench and which process."""
    with closing(sqlite3.connect(records)) as raw:
        raw.row_factory = sqlite3.Row
        names = [row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        left = {"benches", "versions", "alembic_version", "units"}
        return {
            name: sorted(
                ([row[c] for c in _told(row)] for row in raw.execute(f"SELECT * FROM {name}")),
                key=str,
            )
            for name in names
            if name not in left
        }


def _told(row):
    left = ("bench_id", "unit_id")
    return [n for n in tuple(row.keys()) if n not in left and not n.startswith("owner_")]


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    path = tmp_path_factory.mktemp("empty") / "records.db"
    Store.open(path).close()
    return path


@pytest.fixture(autouse=True)
def fresh(empty, monkeypatch):
    """Return what makes an empty records file of a new bench, quicker than its migrations do."""

    def make(path):
        shutil.copy(empty, path)
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("UPDATE benches SET id = ?", (uuid4().hex,))
            raw.commit()

    monkeypatch.setattr(workspace, "new_records", make)
    return make


@pytest.fixture
def here(tmp_path, fresh):
    path = tmp_path / "here.db"
    fresh(path)
    return path


@pytest.fixture(scope="module")
def small(tmp_path_factory, make):
    """Two short runs, and what is taken in from, by its way."""
    folder = tmp_path_factory.mktemp("small")
    records = folder / "there.db"
    with Store.open(records) as store:
        for serial in ("A", "B"):
            run_id = store.begin_run(make.run_start(unit_serial=serial))
            for number in (1, 2):
                trace = make.trace(0.02, start_s=number)
                store.finish_step(run_id, make.step(number, trace=trace))
            store.add_event(run_id, make.event())
            store.finish_run(run_id, make.run_end())
    return records, {way: brought(records, folder, way) for way in WAYS}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Real runs on the simulated bench, and what is taken in from, by its way."""
    folder = tmp_path_factory.mktemp("brought")
    records, ids = library(folder)
    return records, ids, {way: brought(records, folder, way) for way in WAYS}


# --- what comes ---------------------------------------------------------------------------------


@pytest.mark.parametrize("way", WAYS)
def test_every_run_comes_whole_and_its_sheet_verifies_here(made, here, way):
    records, ids, sources = made
    done = take_in(sources[way], here)
    assert (done.runs(Fate.NEW), done.all_taken) == (len(ids), True)
    assert sums(here) == sums(records)
    assert tables(here) == tables(records)
    assert verify(here).sound


def test_taken_in_again_by_any_way_nothing_comes_twice(small, here):
    _, sources = small
    take_in(sources["csv"], here)
    before = tables(here)
    for again in (*WAYS, "csv"):
        done = take_in(sources[again], here)
        assert (done.runs(Fate.KNOWN), done.all_taken) == (2, True), again
    assert tables(here) == before


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=st.lists(drawn_runs.runs, min_size=1, max_size=2))
def test_whatever_a_record_may_hold_comes_by_every_way(fresh, runs):
    with TemporaryDirectory() as name:
        records = Path(name) / "there.db"
        fresh(records)
        with Store.open(records) as store:
            for run in runs:
                drawn_runs.keep(store, run)
        home = sums(records), tables(records)
        for way in WAYS:
            here = Path(name) / f"{way}.here.db"
            fresh(here)
            done = take_in(brought(records, Path(name), way), here)
            assert done.all_taken, (done.refused, done.others)
            assert (sums(here), tables(here)) == home


@pytest.mark.parametrize("way", WAYS)
def test_one_of_every_kind_comes(tmp_path, make, fresh, here, way):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        whole_records.everything(store, make)
    done = take_in(brought(there, tmp_path, way), here)
    assert done.all_taken, (done.refused, done.others)
    assert all(done.fates[kind, Fate.NEW] for kind in Kind)
    assert (sums(here), tables(here)) == (sums(there), tables(there))


@pytest.mark.parametrize("revision", ["0001", "0006"])
def test_records_of_an_older_schema_come_and_are_left_as_they_are(tmp_path, revision):
    there = tmp_path / "there.db"
    with closing(sqlite3.connect(there)) as raw:
        raw.executescript((DATA / f"revision_{revision}.sql").read_text(encoding="utf-8"))
    before = there.read_bytes()
    done = take_in(there, tmp_path / "here" / "records.db")
    assert (done.runs(Fate.NEW), done.all_taken) == (1, True)
    assert there.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["here", "there.db"]
    assert sums(tmp_path / "here" / "records.db") == sums(there)  # which migrates it, at last


def test_a_backup_is_taken_in_as_the_records_themselves(small, tmp_path, here):
    records, _ = small
    back_up(records, tmp_path / "backup.db")
    assert take_in(tmp_path / "backup.db", here).runs(Fate.NEW) == 2
    assert take_in(records, here).runs(Fate.KNOWN) == 2


def test_what_a_run_got_since_comes_later(tmp_path, make, fresh, here):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        run_id = store.begin_run(make.run_start())
        store.finish_step(run_id, make.step(1))
        done = take_in(there, here)
        assert (done.going_on, done.runs(Fate.NEW)) == ([run_id], 0)
        store.finish_run(run_id, make.run_end())
        assert take_in(there, here).runs(Fate.NEW) == 1
        older = brought(there, tmp_path, "csv")
        store.add_event(run_id, make.event("seen again", time_s=nan, kind="note"))
        assert take_in(there, here).runs(Fate.UPDATED) == 1
    assert sums(here) == sums(there)
    assert tables(here)["events"] == tables(there)["events"]
    assert take_in(older, here).runs(Fate.OLDER) == 1
    assert tables(here)["events"] == tables(there)["events"]


def test_cut_off_anywhere_and_begun_again_it_comes_to_the_same(tmp_path, monkeypatch, make, here):
    there = tmp_path / "there.db"
    with Store.open(there) as store:
        whole_records.everything(store, make)
        whole_records.made(store, make)
    monkeypatch.setattr(taking, "_RUNS_AT_ONCE", 1)
    put, seen = taking.put, []

    def cut(connection, bundles):
        done = put(connection, bundles)
        if set(done.fates.values()) != {Fate.KNOWN}:
            calls.append(1)
        if len(calls) == 2:  # of what is new: one is kept, and the next cut off before it is
            raise KeyboardInterrupt
        return done

    monkeypatch.setattr(taking, "put", cut)
    for _ in range(12):
        calls = []
        try:
            take_in(there, here)
        except KeyboardInterrupt:
            seen.append(sum(len(rows) for rows in tables(here).values()))
        else:
            break
    assert seen == sorted(set(seen))
    assert len(seen) > 4
    assert tables(here) == tables(there)
    assert not list(tmp_path.glob(".*"))


def test_a_trial_says_the_same_and_writes_nothing(small, tmp_path):
    _, sources = small
    here = tmp_path / "not yet" / "here.db"
    assert take_in(sources["csv"], here, dry_run=True).runs(Fate.NEW) == 2
    assert list(tmp_path.iterdir()) == []
    assert take_in(sources["csv"], here).runs(Fate.NEW) == 2
    before = here.read_bytes()
    assert take_in(sources["file"], here, dry_run=True).runs(Fate.KNOWN) == 2
    assert here.read_bytes() == before


# --- whose it is --------------------------------------------------------------------------------


def test_a_run_says_where_it_was_made(made, tmp_path, here, capsys):
    _, ids, sources = made
    words = ("--records", str(here))
    assert halfturn(capsys, "records", "take-in", str(sources["csv"]), *words)[0] == 0
    _, listed, _ = halfturn(capsys, "records", "list", *words)
    assert listed.count("SIMULATED, Low Me") == len(ids)
    _, shown, _ = halfturn(capsys, "records", "show", str(ids["new"]), *words)
    assert "Made by another bench: Low Meadow Pump Works, bench 1." in shown
    for how in (("list",), ("show", str(ids["new"]))):
        _, said, _ = halfturn(capsys, "records", *how, "--json", *words)
        told = json.loads(said)
        assert (told[0] if how == ("list",) else told)["bench"] == "Low Meadow Pump Works, bench 1"
    # Handed on, it is still that bench's.
    export(here, tmp_path / "on", Asked(with_traces=True))
    take_in(tmp_path / "on", tmp_path / "third.db")
    with Store.open(tmp_path / "third.db") as store:
        assert {run.bench for run in store.runs()} == {"Low Meadow Pump Works, bench 1"}


def test_another_benchs_runs_serve_for_nothing_of_this_rig(tmp_path, make, fresh, here):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        whole_records.everything(store, make)
        golden = store.golden.in_use()[0]
        day_after = make.T0 + timedelta(days=1)
        run_id = store.begin_run(make.run_start(started_at=day_after, simulated=False))
        store.finish_run(run_id, make.run_end())
        its_world = {"simulated": False, "today": (make.T0 + timedelta(days=9)).date()}
        assert store.golden.checks(golden.golden_id, **its_world)
    with Store.open(here) as store:
        mine = store.golden.declare(whole_records.golden(golden.serial))
        take_in(there, here)
        assert store.runs(limit=None)
        assert store.newest() is None
        assert len(store.golden.in_use()) == 1
        assert store.golden.checks(mine, **its_world) == ()
        assert store.golden.calibrated_at("A", simulated=False) is None
        assert store.calibrations() == ()
        assert store.gauge.all() == []
        assert store.mark_interrupted() == []
        with pytest.raises(RecordsError, match="another bench"):
            store.add_event(run_id, make.event())


@pytest.mark.parametrize("way", ["csv", "file"])
def test_this_benchs_own_runs_come_home(small, tmp_path, way):
    records, sources = small
    here = tmp_path / "here.db"
    shutil.copy(records, here)
    with closing(sqlite3.connect(here)) as raw:
        raw.execute("PRAGMA foreign_keys = ON")
        gone = next(iter(sums(records))).hex
        for table in ("half_turns", "measures", "traces"):
            raw.execute(
                f"DELETE FROM {table} WHERE step_id IN (SELECT id FROM steps WHERE run_id = ?)",
                (gone,),
            )
        for table in ("steps", "events", "reasons"):
            raw.execute(f"DELETE FROM {table} WHERE run_id = ?", (gone,))
        raw.execute("DELETE FROM runs WHERE id = ?", (gone,))
        raw.execute("DELETE FROM versions WHERE row_id = ?", (gone,))
        raw.commit()
    done = take_in(sources[way], here)
    assert (done.runs(Fate.NEW), done.runs(Fate.KNOWN)) == (1, 1)
    with Store.open(here) as store:
        assert {run.bench for run in store.runs()} == {""}


def test_what_this_bench_made_is_never_changed_from_outside(tmp_path, make, here):
    there = tmp_path / "there.db"
    with Store.open(here) as store:
        run_id = store.begin_run(make.run_start())
        store.finish_run(run_id, make.run_end())
    shutil.copy(here, there)
    with closing(sqlite3.connect(there)) as raw:
        raw.execute("UPDATE runs SET note = 'changed'")
        raw.commit()
    before = tables(here)
    done = take_in(there, here)
    assert "this bench made it itself" in done.refused[run_id]
    assert tables(here) == before


def test_a_finished_run_of_another_bench_stays_what_its_sheet_says(tmp_path, make, fresh, here):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        run_id = store.begin_run(make.run_start())
        store.finish_run(run_id, make.run_end())
    take_in(there, here)
    with closing(sqlite3.connect(there)) as raw:
        raw.execute("UPDATE runs SET verdict = 'pass', plan_name = 'x'")
        raw.commit()
    before = tables(here)
    assert "says otherwise" in take_in(there, here).refused[run_id]
    assert tables(here) == before


def test_a_run_cannot_be_slipped_into_a_study_of_this_bench(tmp_path, make, here):
    there = tmp_path / "there.db"
    with Store.open(here) as store:
        store.gauge.begin(whole_records.study())
    shutil.copy(here, there)
    with closing(sqlite3.connect(there)) as raw:
        raw.execute("UPDATE benches SET id = ?", (UUID(int=9).hex,))
        raw.commit()
    with Store.open(there) as store:
        trial = store.gauge.all()[0].trials[0].trial_id
        run_id = store.begin_run(make.run_start(gauge_trial=trial))
        store.finish_run(run_id, make.run_end())
    done = take_in(there, here)
    assert "gauge study of another bench" in done.refused[run_id]
    with Store.open(here) as store:
        assert store.gauge.all()[0].done == 0


# --- what is refused ----------------------------------------------------------------------------


def cells(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def write(path, rows):
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    path.write_bytes(text.getvalue().encode())


def describe_again(folder):
    """Have the description say of every file what it is now, as a forger would."""
    path = folder / "datapackage.json"
    whole = json.loads(path.read_text(encoding="utf-8"))
    for each in whole["resources"]:
        file = folder / each["path"]
        each |= {"bytes": file.stat().st_size, "hash": f"sha256:{sum_of(file)}"}
    path.write_text(json.dumps(whole), encoding="utf-8")


@pytest.fixture
def folder(small, tmp_path):
    return Path(shutil.copytree(small[1]["csv"], tmp_path / "csv"))


def set_cell(folder, table, column, value, row=1):
    path = folder / f"{table}.csv"
    rows = cells(path)
    rows[row][rows[0].index(column)] = value
    write(path, rows)


def test_an_edited_run_is_named_and_nothing_comes(folder, tmp_path):
    set_cell(folder, "half_turns", "half_turn_s", "0.5")
    step = cells(folder / "half_turns.csv")[1][1]
    run = next(row[1] for row in cells(folder / "steps.csv") if row[0] == step)
    with pytest.raises(RecordsError, match=rf"half_turns\.csv has changed.*{run} is not what was"):
        take_in(folder, tmp_path / "here.db")
    assert not (tmp_path / "here.db").exists()
    # Who has the description agree is found by the run's own checksum; the others come.
    describe_again(folder)
    done = take_in(folder, tmp_path / "here.db")
    assert list(done.refused) == [UUID(run)]
    assert "not what its checksum says" in done.refused[UUID(run)]
    assert done.runs(Fate.NEW) == 1
    assert UUID(run) not in sums(tmp_path / "here.db")


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("runs", "verdict", "retest"),
        ("runs", "checksum", ""),
        ("runs", "operator", "mo"),
        ("measures", "value", "0.7031234567890125"),
        ("events", "time_s", "1.0"),
        ("steps", "answers", "{}"),
        ("units", "serial", "another"),
    ],
)
def test_whatever_of_a_run_is_changed_its_checksum_tells(folder, here, table, column, value):
    set_cell(folder, table, column, value)
    describe_again(folder)
    done = take_in(folder, here)
    assert done.refused
    assert not set(done.refused) & set(sums(here))
    assert verify(here).sound


HOSTILE = {
    "a number that is none": ("measures", "value", "1_0", "measures.csv, line 2, value: “1_0” is"),
    "no number at all": ("measures", "value", "=1+1", "is not a number"),
    "a moment that is none": ("runs", "started_at", "yesterday", "is not a moment"),
    "a day out of range": ("runs", "started_at", "2026-02-30T08:05:00.000000Z", "is not a moment"),
    "a key that is a path": ("runs", "id", "../../etc/passwd", "is not a key"),
    "a word that is none": ("runs", "state", "flying", "is not one of running, finished"),
    "JSON that is none": ("steps", "answers", "{", "is not JSON"),
    "JSON without a bottom": ("steps", "answers", "[" * 100_000, "is not JSON"),
    "a number beyond any database": ("steps", "number", "9" * 30, "is not a whole number"),
    "an empty cell": ("steps", "number", "", "must hold something"),
    "a row of another run": ("steps", "run_id", str(UUID(int=1)), "not sound"),
    "a row twice": ("steps", "id", "twice", "do not go together"),
    "a file elsewhere": ("traces", "file", "../../../etc/passwd", "no file of an export"),
    "a trace of the wrong length": ("traces", "samples", "7", "and 7 were written"),
    "a trace beyond all bounds": ("traces", "samples", "9000000000", "cannot be"),
    "another trace": ("traces", "sha256", "0" * 64, "has changed"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_cell_that_cannot_be_is_told_with_its_place(folder, tmp_path, name):
    table, column, value, words = HOSTILE[name]
    if value == "twice":
        value = cells(folder / "steps.csv")[2][0]
    set_cell(folder, table, column, value)
    describe_again(folder)

    def read():
        if words.startswith("is ") or "line 2" in words:
            return list(from_csv.rows(folder, kept_table(table)))  # as it is for taking in
        return take_in(folder, tmp_path / "here.db")

    with pytest.raises(RecordsError) as told:
        read()
    assert words in str(told.value)
    assert len(str(told.value)) < 900
    assert not (tmp_path / "here.db").exists()


def bomb(folder):
    path = next((folder / "traces").iterdir())
    path.write_bytes(gzip.compress(b"time_s,current_a\n" + b"0" * 50_000_000))
    rows = cells(folder / "traces.csv")
    at = next(n for n, row in enumerate(rows) if row[5] == f"traces/{path.name}")
    rows[at][6:] = [str(path.stat().st_size), sum_of(path)]
    write(folder / "traces.csv", rows)


def as_pipe(folder):
    (folder / "runs.csv").unlink()
    os.mkfifo(folder / "runs.csv")


def as_link(folder):
    (folder / "runs.csv").unlink()
    (folder / "runs.csv").symlink_to("/dev/zero")


def linked_trace(folder):
    path = next((folder / "traces").iterdir())
    path.unlink()
    path.symlink_to("/etc/hostname")


def described(**changes):
    def change(folder):
        path = folder / "datapackage.json"
        whole = json.loads(path.read_text(encoding="utf-8"))
        whole["halfturn"] |= changes
        path.write_text(json.dumps(whole), encoding="utf-8")

    return change


DAMAGE = {
    "no description": (lambda f: (f / "datapackage.json").unlink(), "no folder that"),
    "half a description": (
        lambda f: (f / "datapackage.json").write_text('{"halfturn": '),
        "damaged, or of another",
    ),
    "a list": (lambda f: (f / "datapackage.json").write_text("[]"), "damaged, or of another"),
    "of a newer program": (described(form=2), "newer halfturn"),
    "of a newer schema": (described(records_schema="9999"), "newer halfturn"),
    "without traces": (described(with_traces=False), "without traces"),
    "a table that is gone": (lambda f: (f / "reasons.csv").unlink(), "table reasons is not there"),
    "a table cut off": (
        lambda f: (f / "runs.csv").write_bytes((f / "runs.csv").read_bytes()[:900]),
        "runs.csv",
    ),
    "no UTF-8": (lambda f: (f / "units.csv").write_bytes(b"\xff\xfe"), "not UTF-8"),
    "no header": (lambda f: (f / "units.csv").write_bytes(b""), "has no column id"),
    "a pipe": (as_pipe, "is no file"),
    "a link out of it": (as_link, "is no file"),
    "a trace that is a link": (linked_trace, "is no file"),
    "a trace that is gone": (
        lambda f: next((f / "traces").iterdir()).unlink(),
        "is not there",
    ),
    "a trace that would fill the memory": (bomb, "is no trace of"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_a_damaged_folder_is_told_and_nothing_comes(folder, tmp_path, name):
    change, words = DAMAGE[name]
    change(folder)
    with pytest.raises(RecordsError) as told:
        take_in(folder, tmp_path / "here.db")
    assert words in str(told.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["csv"]


@pytest.mark.parametrize(("table", "part"), [("runs", 0.0), ("half_turns", 0.4), ("traces", 0.9)])
def test_parquet_that_is_cut_off_is_told(small, tmp_path, table, part):
    folder = Path(shutil.copytree(small[1]["parquet"], tmp_path / "parquet"))
    path = folder / f"{table}.parquet"
    path.write_bytes(path.read_bytes()[: int(part * path.stat().st_size)])
    with pytest.raises(RecordsError, match=rf"{table}\.parquet is damaged"):
        take_in(folder, tmp_path / "here.db")


def test_parquet_of_other_columns_is_told(small, tmp_path):
    folder = Path(shutil.copytree(small[1]["parquet"], tmp_path / "parquet"))
    shutil.copy(folder / "steps.parquet", folder / "runs.parquet")
    with pytest.raises(RecordsError, match=r"runs\.parquet has no column"):
        take_in(folder, tmp_path / "here.db")


def test_a_damaged_records_file_is_told_and_nothing_comes(small, tmp_path):
    there = Path(shutil.copy(small[0], tmp_path / "there.db"))
    data = there.read_bytes()
    for damaged in (data[: len(data) // 2], data[:40] + os.urandom(500) + data[540:], b"x" * 9000):
        there.write_bytes(damaged)
        with pytest.raises(RecordsError) as told:
            take_in(there, tmp_path / "here.db")
        assert str(there) in str(told.value)
        assert ".take-in" not in str(told.value)
        assert not (tmp_path / "here.db").exists()


def test_a_run_whose_trace_is_damaged_is_refused_and_the_others_come(small, tmp_path, here):
    there = Path(shutil.copy(small[0], tmp_path / "there.db"))
    bad, good = sums(there)
    with closing(sqlite3.connect(there)) as raw:
        raw.execute(
            "UPDATE traces SET data = zeroblob(90) WHERE step_id IN "
            "(SELECT id FROM steps WHERE run_id = ?)",
            (bad.hex,),
        )
        raw.commit()
    done = take_in(there, here)
    assert "trace cannot be read" in done.refused[bad]
    assert list(sums(here)) == [good]


@pytest.mark.parametrize("way", ["csv", "file"])
def test_one_odd_row_refuses_its_run_alone(small, folder, tmp_path, here, way):
    bad, good = sums(small[0])
    source, odd = folder, '{"a": 1}'
    if way == "file":
        source = Path(shutil.copy(small[0], tmp_path / "there.db"))
        with closing(sqlite3.connect(source)) as raw:
            raw.execute("UPDATE runs SET lateness = ? WHERE id = ?", (odd, bad.hex))
            raw.commit()
    else:
        row = [each[0] for each in cells(folder / "runs.csv")].index(str(bad))
        set_cell(folder, "runs", "lateness", odd, row)
        describe_again(folder)
    done = take_in(source, here)
    assert list(done.refused) == [bad]
    assert "the control loop's lateness is not as halfturn writes it" in done.refused[bad]
    assert list(sums(here)) == [good]


def test_a_calibration_that_cannot_be_read_refuses_its_runs_alone(tmp_path, make, fresh, here):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        calibrated, other = whole_records.everything(store, make)
    source = brought(there, tmp_path, "csv")
    set_cell(source, "calibrations", "held_against", "[3]")
    describe_again(source)
    done = take_in(source, here)
    assert done.refused == {calibrated: "something in it is not as halfturn writes it"}
    assert list(sums(here)) == [other]


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    format=st.sampled_from(FORMATS),
    which=st.integers(0, 99),
    place=st.floats(0, 1, exclude_max=True),
    change=st.sampled_from([b"", b"0", b"9", b"-", b'"', b",", b"\n", b"\x00", b"\xff", b"e"]),
    length=st.sampled_from([0, 1, 3, 40]),
)
def test_whatever_happens_to_a_file_no_run_comes_that_is_another(
    small, fresh, format, which, place, change, length
):
    records, sources = small
    with TemporaryDirectory() as name:
        folder = Path(shutil.copytree(sources[format], Path(name) / "brought"))
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        path = files[which % len(files)]
        data = path.read_bytes()
        at = int(place * len(data))
        path.write_bytes(data[:at] + change + data[at + length :])
        if path.name != "datapackage.json":
            describe_again(folder)
        here = Path(name) / "here.db"
        fresh(here)
        try:
            done = take_in(folder, here)
        except RecordsError as error:
            check_message(str(error))
            assert sums(here) == {}
        else:
            for why in (*done.refused.values(), *done.others.values()):
                check_message(why)
            home = sums(records)
            assert {run: home[run] for run in sums(here)} == sums(here)
            assert verify(here).sound


@pytest.mark.parametrize("way", ["csv", "file"])
def test_a_full_disk_is_told_as_one(small, tmp_path, here, monkeypatch, way):
    full = sqlite3.OperationalError("database or disk is full")
    full.sqlite_errorcode = sqlite3.SQLITE_FULL

    def fail(*_):
        raise OperationalError("", {}, full) if way == "csv" else full

    monkeypatch.setattr(workspace, "_insert" if way == "csv" else "copy_moment", fail)
    with pytest.raises(RecordsError, match=r"the disk is full\. Free some space"):
        take_in(small[1][way], here)
    assert sums(here) == {}


def test_a_stick_that_is_pulled_out_is_told(small, here, monkeypatch):
    def fail(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(workspace, "sum_of", fail)
    with pytest.raises(RecordsError, match="cannot be read: input/output error"):
        take_in(small[1]["csv"], here)


def test_what_a_kill_left_is_cleared_and_what_is_at_work_is_not(small, tmp_path, here):
    ended = subprocess.Popen(["true"])
    ended.wait()
    left = [
        tmp_path / f".take-in-{ended.pid}.part",
        tmp_path / f".mine.{ended.pid}.part",
        tmp_path / f".take-in-{os.getppid()}.part",
        tmp_path / f".yours.{ended.pid}.part",
    ]
    for folder in left:
        folder.mkdir()
        (folder / "brought.sqlite").touch()
    take_in(small[1]["csv"], here)
    export(here, tmp_path / "mine", Asked())
    assert [folder.exists() for folder in left] == [False, False, True, True]


# --- at the prompt ------------------------------------------------------------------------------


def test_the_command_counts_and_names(folder, here, capsys):
    words = ("records", "take-in", str(folder), "--records", str(here))
    status, said, _ = halfturn(capsys, *words, "--dry-run")
    assert (status, "2 runs: 2 new" in said, "Nothing was written" in said) == (0, True, True)
    assert "made by Low Meadow Pump Works: 2" in said
    set_cell(folder, "runs", "reference", "J-0")
    describe_again(folder)
    status, said, _ = halfturn(capsys, *words)
    run = cells(folder / "runs.csv")[1][0]
    assert status == 6
    assert "2 runs: 1 new, 1 refused" in said
    assert f"REFUSED run {run}: it is not what its checksum says" in said
    status, said, _ = halfturn(capsys, *words, "--json")
    told = json.loads(said)
    assert (status, list(told["refused"])) == (6, [run])
    assert told["taken"]["run"] == {
        "new": 0,
        "brought_up_to_date": 0,
        "known_already": 1,
        "refused": 1,
    }


@pytest.mark.parametrize(
    ("what", "status", "words"),
    [
        ("", 3, "name what is to be taken in"),
        ("nowhere", 6, "There is nothing at"),
        (".", 6, "no folder that `halfturn records out` wrote"),
        ("here.db", 6, "these records themselves"),
        ("letter.txt", 6, "letter.txt"),
        ("/dev/null", 6, "a device or a pipe"),
    ],
)
def test_what_a_new_user_would_try(tmp_path, here, monkeypatch, capsys, what, status, words):
    monkeypatch.chdir(tmp_path)
    Path("letter.txt").write_text("a letter\n" * 99)
    got = halfturn(capsys, "records", "take-in", what, "--records", "here.db")
    assert (got[0], words in got[2]) == (status, True), got


def test_one_job_out_and_in(made, tmp_path, here):
    export(made[0], tmp_path / "job", Asked(RunFilter(reference="J-1391"), "parquet", True))
    done = take_in(tmp_path / "job", here)
    assert (done.runs(Fate.NEW), done.all_taken) == (3, True)


def test_a_run_of_a_bench_that_died_waits_until_its_bench_says_so(tmp_path, make, fresh, here):
    there = tmp_path / "there.db"
    fresh(there)
    with Store.open(there) as store:
        store.begin_run(make.run_start())
    with closing(sqlite3.connect(there)) as raw:
        raw.execute("UPDATE runs SET owner_pid = 999999999, owner_started = 1")
        raw.commit()
    assert len(take_in(there, here).going_on) == 1
    with Store.open(there) as store:
        (swept,) = store.mark_interrupted()
        assert swept.state is RunState.INTERRUPTED
    assert take_in(there, here).runs(Fate.NEW) == 1
