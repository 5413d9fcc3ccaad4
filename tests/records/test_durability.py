from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager
from pathlib import Path
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, event
from writing import ROOT, WRITER, writer

from rig.records.model import RunState
from rig.records.store import RecordsError, Store


def assert_whole_steps(store: Store, run: UUID, make, told: int):
    """Every step that was told to be kept is there, in full; one more may have been in time."""
    steps = store.run(run, with_traces=True).steps
    assert [step.number for step in steps] == list(range(1, len(steps) + 1))
    assert told <= len(steps) <= told + 1
    for step in steps:
        whole = make.step(step.number)
        assert step.half_turns == whole.half_turns
        assert step.measures == whole.measures
        assert step.trace.current_a.tobytes() == whole.trace.current_a.tobytes()


@pytest.mark.parametrize("more_ms", [0, 3, 8])
def test_a_killed_run_keeps_every_finished_step(tmp_path, make, more_ms):
    path = tmp_path / "records.db"
    with writer(path) as process:
        run = UUID(process.stdout.readline().strip())
        process.stdout.readline()
        time.sleep(more_ms / 1000)  # a different moment each time: in a commit, between two
        process.kill()
        told = 1 + len(process.stdout.readlines())
    with Store.open(path) as store:
        assert [found.run_id for found in store.mark_interrupted()] == [run]
        assert_whole_steps(store, run, make, told)
        kept = store.run(run)
        assert kept.end.state is RunState.INTERRUPTED
        assert kept.end.judgement is None
        assert kept.end.feeds_off is False
        assert kept.end.ended_at == kept.steps[-1].ended_at
        assert store.runs()[0].state is RunState.INTERRUPTED
        assert store.mark_interrupted() == []


@pytest.mark.parametrize("last", ["INSERT INTO half_turns", "INSERT INTO traces", "COMMIT"])
def test_a_step_killed_halfway_leaves_nothing_of_itself(tmp_path, make, last):
    path = tmp_path / "records.db"
    with writer(path, last) as process:
        lines = process.stdout.read().split()
        assert process.wait() == -signal.SIGKILL
    assert lines[1:] == ["1"]
    with Store.open(path) as store:
        run = UUID(lines[0])
        assert_whole_steps(store, run, make, 1)
        assert len(store.run(run).steps) == 1
    with closing(sqlite3.connect(path)) as raw:
        for table, rows in (("half_turns", 2), ("measures", 2), ("traces", 1)):
            assert raw.execute(f"SELECT count(*) FROM {table}").fetchone() == (rows,)


@pytest.fixture(scope="module")
def crashed(tmp_path_factory, make):
    """The files of a run as they stand on the disk while it goes on: file and write-ahead log."""
    folder = tmp_path_factory.mktemp("crashed")
    with Store.open(folder / "live.db") as store:
        run = store.begin_run(make.run_start())
        for number in (1, 2, 3):
            store.finish_step(run, make.step(number))
        shutil.copy(folder / "live.db", folder / "records.db")
        log = (folder / "live.db-wal").read_bytes()
    return folder / "records.db", log, run


def test_what_was_committed_is_in_the_files_and_not_in_memory(crashed, make, tmp_path):
    path, log, run = crashed
    copy = Path(shutil.copy(path, tmp_path))
    copy.with_name("records.db-wal").write_bytes(log)
    with Store.open(copy) as store:
        assert len(store.run(run).steps) == 3
        assert_whole_steps(store, run, make, 3)


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_a_log_torn_anywhere_leaves_whole_steps(crashed, make, tmp_path_factory, data):
    path, log, run = crashed
    folder = tmp_path_factory.mktemp("torn")
    copy = Path(shutil.copy(path, folder))
    length = data.draw(st.integers(0, len(log)))
    copy.with_name("records.db-wal").write_bytes(log[:length])
    with Store.open(copy) as store:
        runs = store.runs()
        assert len(runs) <= 1
        if runs:
            steps = store.run(run).steps
            assert_whole_steps(store, run, make, len(steps))


# --- who owns a run ---------------------------------------------------------------------------


def test_the_run_of_a_living_process_is_left_alone(tmp_path, make):
    path = tmp_path / "records.db"
    with writer(path) as process:
        process.stdout.readline()
        process.send_signal(signal.SIGSTOP)  # alive, though it does nothing
        try:
            with Store.open(path, wait_s=0.1) as store:
                assert store.mark_interrupted() == []
                assert store.runs()[0].state is RunState.RUNNING
        finally:
            process.send_signal(signal.SIGCONT)


def test_an_own_run_is_left_alone_and_can_be_ended(store, make):
    run = store.begin_run(make.run_start())
    assert store.mark_interrupted() == []
    store.finish_run(run, make.run_end())
    assert store.run(run).end == make.run_end()


@pytest.mark.parametrize(
    ("change", "dead"),
    [
        ("owner_boot = 'another boot'", True),
        ("owner_started = owner_started + 1", True),  # the number was given to another process
        ("owner_pid = 4194305", True),  # above the kernel's greatest, 2^22 (proc(5), pid_max)
        ("owner_host = 'another machine', owner_boot = 'b', owner_pid = 4194305", False),
        ("owner_space = 'another container', owner_pid = 4194305", False),
    ],
)
def test_only_a_surely_dead_process_loses_its_run(store, make, change, dead):
    run = store.begin_run(make.run_start())
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute(f"UPDATE runs SET {change}")
        raw.commit()
    assert [found.run_id for found in store.mark_interrupted()] == ([run] if dead else [])


def test_a_run_taken_for_dead_can_still_end_itself(store, make):
    run = store.begin_run(make.run_start())
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("UPDATE runs SET owner_boot = 'x'")
        raw.commit()
    store.mark_interrupted()
    store.finish_run(run, make.run_end())
    assert store.run(run).end == make.run_end()
    with pytest.raises(RecordsError, match="already ended"):
        store.finish_run(run, make.run_end())


# --- others at the same file ------------------------------------------------------------------


def test_a_reader_sees_whole_steps_while_another_writes(tmp_path, make):
    path = tmp_path / "records.db"
    with writer(path) as process:
        run = UUID(process.stdout.readline().strip())
        seen = []
        with Store.open(path) as store:
            while len(set(seen)) < 4:  # so that some reads came between two steps
                assert process.poll() is None
                steps = store.run(run, with_traces=True).steps
                assert all(len(s.trace) == 1000 and len(s.half_turns) == 2 for s in steps)
                seen.append(len(steps))
    assert seen == sorted(seen)


def test_threads_may_share_a_store(store, make):
    run = store.begin_run(make.run_start())
    errors = []

    def add(first: int) -> None:
        try:
            for number in range(first, first + 5):
                store.finish_step(run, make.step(number, trace=None))
                store.add_event(run, make.event(str(number)))
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=add, args=(first,)) for first in (10, 20, 30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert len(store.run(run).steps) == len(store.run(run).events) == 15


def test_a_lock_held_by_another_program_is_told(tmp_path, make):
    path = tmp_path / "records.db"
    with Store.open(path, wait_s=0.05) as store:
        run = store.begin_run(make.run_start())
        with closing(sqlite3.connect(path)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(RecordsError, match=r"locked it\. Close that program"):
                store.finish_step(run, make.step(1))
            assert store.run(run).steps == ()  # reading goes on
            assert store.mark_interrupted() == []  # and so does a look for dead runs
            other.rollback()
        store.finish_step(run, make.step(1))


def test_a_locked_file_cannot_be_opened(tmp_path):
    path = tmp_path / "records.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE t (x)")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(RecordsError, match=r"locked it\. Close that program"):
            Store.open(path, wait_s=0.05)


# --- a disk that is full, a folder that is read-only ------------------------------------------


@contextmanager
def disk_of(pages: int):
    """Let every database have at most so many pages: SQLite then reports a full disk."""

    def limit(raw, _record):
        raw.execute(f"PRAGMA max_page_count = {pages}").close()

    event.listen(Engine, "connect", limit)
    try:
        yield
    finally:
        event.remove(Engine, "connect", limit)


def test_a_full_disk_keeps_the_steps_before_and_nothing_of_the_one_that_did_not_fit(tmp_path, make):
    path = tmp_path / "records.db"
    with disk_of(pages=140), Store.open(path) as store:
        run = store.begin_run(make.run_start())
        told = 0

        def fill() -> None:
            nonlocal told
            while told < 100:
                store.finish_step(run, make.step(told + 1))
                told += 1

        with pytest.raises(RecordsError, match=r"disk is full\. Free some space"):
            fill()
        assert told > 0
        assert len(store.run(run).steps) == told
        assert_whole_steps(store, run, make, told)
    with Store.open(path) as store:  # space was freed
        store.finish_step(run, make.step(told + 1))
        assert_whole_steps(store, run, make, told + 1)


def test_a_disk_full_from_the_start_is_told(tmp_path):
    with disk_of(pages=3), pytest.raises(RecordsError, match="disk is full"):
        Store.open(tmp_path / "records.db")
    with Store.open(tmp_path / "records.db") as store:
        assert store.runs() == []


def as_nobody(paths: list[Path], *doings: str) -> list[str]:
    """Open each file as a user without root's rights, do things; return what was told of each."""
    code = (
        "import os, sys; from pathlib import Path; from rig.records.store import *\n"
        "from conftest import run_start\n"
        "if os.getuid() == 0: os.setuid(65534)\n"
        "for path in sys.argv[1].split(':'):\n"
        "    for doing in sys.argv[2:]:\n"
        "        try:\n"
        "            with Store.open(Path(path)) as store: exec(doing)\n"
        "        except RecordsError as error: print(error)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, ":".join(map(str, paths)), *doings],
        env={**os.environ, "PYTHONPATH": f"{ROOT}:{WRITER.parent}:{ROOT}/tests/support"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.fixture
def reachable(tmp_path):
    """A folder that others may enter and nobody but the owner may write."""
    for folder in (tmp_path, *tmp_path.parents):
        folder.chmod(folder.stat().st_mode | 0o055)
        if folder.name.startswith("pytest-of-"):
            break
    yield tmp_path
    for folder in (tmp_path, *tmp_path.glob("*/")):
        folder.chmod(0o755)


def test_a_read_only_folder_is_told(reachable):
    folder = reachable / "logs"
    Store.open(folder / "records.db").close()
    (folder / "records.db").chmod(0o666)
    folder.chmod(0o555)
    names = ("records.db", "other.db", "new/records.db")
    told = as_nobody([folder / name for name in names], "print('opened')")
    assert len(told) == 3
    assert all("choose another records file" in line for line in told)


def test_read_only_records_can_be_read_and_refuse_a_run_before_it_begins(reachable, make):
    path = reachable / "records.db"
    with Store.open(path) as store:
        run = store.begin_run(make.run_start())
    path.chmod(0o444)
    reachable.chmod(0o777)
    told = as_nobody([path], "print(store.runs()[0].run_id)", "store.begin_run(run_start())")
    assert told[0] == str(run)
    assert "read-only. Give yourself write access" in told[1]
    assert len(told) == 2
