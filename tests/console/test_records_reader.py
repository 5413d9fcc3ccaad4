from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from threading import Event, Thread

import pytest
from recorded import library

from rig.console.records_reader import NO_RECORDS, RecordsReader, Sorry, or_sorry
from rig.console.run_view import fact_lines, facts, verdict_words, view_of_record
from rig.console.trend_points import trends_of
from rig.records.model import RunFilter
from rig.records.store import RecordsError, Store


@pytest.fixture
def kept(tmp_path):
    """A reading of the library, and the runs' ids by name."""
    path, ids = library(tmp_path)
    reading = RecordsReader(path, wait_s=0.05)
    yield reading, ids
    reading.close()


def test_what_is_read_is_what_the_store_holds(kept):
    reading, ids = kept
    with Store.open(reading.path) as store:
        assert reading.search(RunFilter(), limit=3) == store.search(RunFilter(), limit=3)
        assert reading.run(ids["slow"]) == store.run(ids["slow"])
        trace = store.trace(ids["slow"], 1)
        assert (reading.trace(ids["slow"], 1).current_a == trace.current_a).all()
        assert reading.history(ids["new"]).runs == store.unit_history(ids["new"]).runs


def test_a_trace_is_read_once_and_no_more_are_kept_than_there_is_room_for(kept, monkeypatch):
    reading, ids = kept
    first = reading.trace(ids["slow"], 1)
    assert reading.trace(ids["slow"], 1) is first
    second = reading.trace(ids["new"], 2)
    assert reading.trace(ids["slow"], 1) is first
    monkeypatch.setattr("rig.console.records_reader.KEPT_SAMPLES", len(first) + len(second))
    third = reading.trace(ids["new"], 3)
    assert reading.trace(ids["new"], 3) is third
    assert reading.trace(ids["new"], 2) is not second  # the one used longest ago had to go


def test_a_note_is_kept_in_the_record(kept):
    reading, ids = kept
    note = reading.add_note(ids["slow"], "sleeve worn")
    events = reading.run(ids["slow"]).events
    assert (events[-1].kind, events[-1].text) == ("note", "sleeve worn")
    assert events[-1].at == note.at


def test_no_file_is_no_error_but_the_beginning(tmp_path):
    reading = RecordsReader(tmp_path / "none.sqlite")
    assert or_sorry(lambda: reading.search(RunFilter(), limit=1)) == Sorry(NO_RECORDS)
    assert not reading.path.exists()


def test_a_file_that_comes_or_is_replaced_is_noticed(tmp_path):
    reading = RecordsReader(tmp_path / "mine" / "records.sqlite")
    with pytest.raises(RecordsError):
        reading.search(RunFilter(), limit=1)
    (tmp_path / "mine").mkdir()
    path, _ = library(tmp_path)
    shutil.copy(path, reading.path)
    assert reading.search(RunFilter(), limit=1).total == 8
    Store.open(tmp_path / "other.sqlite").close()
    (tmp_path / "other.sqlite").replace(reading.path)
    assert reading.search(RunFilter(), limit=1).total == 0
    reading.close()


def test_another_programs_lock_is_told_and_over_when_it_is(kept):
    reading, ids = kept
    assert reading.run(ids["slow"])
    with closing(sqlite3.connect(reading.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        sorry = or_sorry(lambda: reading.add_note(ids["slow"], "not now"))
        assert "another program has locked it. Close that program and try again" in sorry.text
        assert reading.run(ids["slow"])  # reading goes on meanwhile
    assert reading.add_note(ids["slow"], "now").text == "now"


def test_a_file_that_is_no_record_is_told(tmp_path):
    path = tmp_path / "records.sqlite"
    path.write_text("dear diary")
    sorry = or_sorry(lambda: RecordsReader(path).search(RunFilter(), limit=1))
    assert "is not a records database. Choose another records file" in sorry.text
    assert path.read_text() == "dear diary"


def test_a_path_that_cannot_be_reached_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    sorry = or_sorry(lambda: RecordsReader(tmp_path / "file" / "x").search(RunFilter(), limit=1))
    assert "cannot be reached" in sorry.text


def test_what_nobody_foresaw_becomes_a_sentence():
    def fails():
        raise KeyError("odd")

    sorry = or_sorry(fails)
    assert "was not understood (KeyError: 'odd')" in sorry.text
    assert "try `halfturn records show`" in sorry.text


def test_a_reading_that_fails_disturbs_no_other(kept, monkeypatch):
    reading, ids = kept
    reads, failed, closed = Event(), Event(), []
    run, close = Store.run, Store.close

    def slow(store, run_id):
        reads.set()
        assert failed.wait(10.0)
        assert closed == []
        return run(store, run_id)

    monkeypatch.setattr(Store, "run", slow)
    monkeypatch.setattr(Store, "close", lambda store: closed.append(store) or close(store))
    found = []
    reader = Thread(target=lambda: found.append(or_sorry(lambda: reading.run(ids["slow"]))))
    reader.start()
    assert reads.wait(10.0)
    with pytest.raises(RecordsError):
        reading.trace(ids["slow"], 99)
    assert reading.search(RunFilter(), limit=1).total == 8  # on a store of its own
    failed.set()
    reader.join(10.0)
    assert found[0].run_id == ids["slow"]
    assert len(closed) == 1  # the one that failed, once nobody used it


@pytest.mark.parametrize(
    ("table", "column"),
    [
        ("runs", "verdict"),
        ("runs", "state"),
        ("runs", "source"),
        ("steps", "state"),
        ("reasons", "verdict"),
        ("half_turns", "outcome"),
        ("half_turns", "direction"),
    ],
)
def test_words_that_this_program_does_not_know_hide_nothing(kept, table, column):
    reading, ids = kept
    with closing(sqlite3.connect(reading.path, isolation_level=None)) as newer:
        newer.execute(f"UPDATE {table} SET {column} = 'halfway'")
    found = reading.search(RunFilter(), limit=10)
    assert found.total == len(found.runs) == 8
    told = [run.came_to.lower() for run in found.runs]
    for run_id in ids.values():
        view = view_of_record(reading.run(run_id))
        told += [*verdict_words(view), *dict(facts(view)).values(), *fact_lines(view)]
        told += [
            word for row in (*view.reason_rows, *view.turn_rows) for word in (row.says, row.text)
        ]
        told += [f"step {step.state}" for step in view.steps]
        assert trends_of(reading.history(run_id)).history.runs
    assert any("not known" in word.lower() for word in told)
    with closing(sqlite3.connect(reading.path)) as newer:  # reading it changed nothing
        assert newer.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall() == [("halfway",)]


def test_threads_may_read_at_once(kept):
    reading, ids = kept
    found = []

    def read(name):
        found.append(reading.trace(ids[name], reading.run(ids[name]).steps[-1].number))

    threads = [Thread(target=read, args=(name,)) for name in ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20.0)
    assert len(found) == len(ids)
