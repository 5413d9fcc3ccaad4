"""`halfturn records backup` and `restore`: whole, verified, and nothing recorded is ever lost."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import pytest
from writing import ROOT, writer

from rig.cli import main
from rig.records import copies
from rig.records.errors import RecordsError
from rig.records.model import RunState
from rig.records.store import Store

CUTS = Path(__file__).with_name("power_cuts.py")


def fill(path: Path, make, runs: int, step=None) -> list[UUID]:
    """Add so many finished runs of one step."""
    with Store.open(path) as store:
        made = []
        for _ in range(runs):
            made.append(store.begin_run(make.run_start()))
            store.finish_step(made[-1], step or make.step(1))
            store.finish_run(made[-1], make.run_end())
    return made


def runs_in(path: Path) -> set[UUID]:
    with Store.open(path, create=False) as store:
        return {run.run_id for run in store.runs(limit=None)}


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory, make):
    path = tmp_path_factory.mktemp("two") / "records.db"
    fill(path, make, 2)
    return path


@pytest.fixture
def records(two_runs, tmp_path):
    (tmp_path / "logs").mkdir()
    return Path(shutil.copy(two_runs, tmp_path / "logs"))


@pytest.fixture
def left_off(records, make):
    """The same with the log that a bench left which died in a run's second step."""
    with Store.open(records) as store:
        run = store.begin_run(make.run_start())
        store.finish_step(run, make.step(1))
        log = records.with_name("records.db-wal").read_bytes()
        file = records.read_bytes()
    records.write_bytes(file)
    records.with_name("records.db-wal").write_bytes(log)
    return records, run


def command(*arguments: object) -> int:
    return main(["records", *map(str, arguments)])


# --- backup -----------------------------------------------------------------------------------


def test_a_backup_holds_every_run_and_says_so(records, tmp_path, capsys):
    to = tmp_path / "stick"
    to.mkdir()
    assert command("backup", to / "mine.db", "--records", records) == 0
    out = capsys.readouterr().out
    assert "backup of 2 runs, 2 steps, 4 half-turns, 2 traces of 2000 samples" in out
    assert "verified: sound" in out
    assert names(to) == ["mine.db"]
    assert runs_in(to / "mine.db") == runs_in(records)


def test_a_backup_can_be_read_where_nothing_may_be_written(records, tmp_path):
    copies.back_up(records, tmp_path / "mine.db")
    with closing(sqlite3.connect(f"file:{tmp_path}/mine.db?immutable=1", uri=True)) as raw:
        # A file in WAL mode cannot be opened from a read-only medium without its log.
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert raw.execute("SELECT count(*) FROM runs").fetchone() == (2,)


def test_an_older_backup_is_replaced_only_when_told(records, tmp_path, make, capsys):
    to = tmp_path / "mine.db"
    assert command("backup", to, "--records", records) == 0
    more = fill(records, make, 1)
    assert command("backup", to, "--records", records) == 6
    assert "already there and was left as it is" in capsys.readouterr().err
    assert not set(more) & runs_in(to)
    assert command("backup", to, "--replace", "--records", records) == 0
    assert set(more) <= runs_in(to)


def test_in_a_folder_each_backup_gets_a_name_of_its_own(records, tmp_path):
    to = tmp_path / "stick"
    to.mkdir()
    for _ in range(3):  # most likely within one second
        assert command("backup", to, "--records", records) == 0
    assert len(names(to)) == 3
    assert all(name.startswith("records-20") and name.endswith(".db") for name in names(to))


def test_what_is_no_backup_is_never_replaced(records, tmp_path, capsys):
    letter = tmp_path / "letter.txt"
    letter.write_text("a letter\n" * 200)
    for to, words in ((letter, "no backup of records"), (records, "the records themselves")):
        before = to.read_bytes()
        assert command("backup", to, "--replace", "--records", records) == 6
        assert words in capsys.readouterr().err
        assert to.read_bytes() == before


def test_damaged_records_are_backed_up_but_never_over_a_sound_backup(records, tmp_path, capsys):
    to = tmp_path / "mine.db"
    copies.back_up(records, to)
    sound = to.read_bytes()
    with closing(sqlite3.connect(records)) as raw:
        raw.execute("UPDATE traces SET data = x'00' WHERE rowid = 1")
        raw.commit()
    assert command("backup", to, "--replace", "--records", records) == 6
    assert "not sound" in capsys.readouterr().err
    assert to.read_bytes() == sound
    assert command("backup", tmp_path / "new.db", "--records", records) == 6
    assert "NOT SOUND" in capsys.readouterr().out
    assert runs_in(tmp_path / "new.db") == runs_in(records)
    assert sorted(names(tmp_path)) == ["logs", "mine.db", "new.db"]


def test_a_backup_while_a_bench_writes_is_whole_and_has_all_that_was_finished_before(
    records, tmp_path, make
):
    finished = runs_in(records)
    with writer(records) as process:
        run = UUID(process.stdout.readline().strip())
        for number in range(3):
            done = int(process.stdout.readline())
            made = copies.back_up(records, tmp_path / f"{number}.db")
            assert made.holds.sound
            with Store.open(made.path) as store:
                assert finished <= {found.run_id for found in store.runs()}
                steps = store.run(run, with_traces=True).steps
            assert [step.number for step in steps] == list(range(1, len(steps) + 1))
            assert len(steps) >= done
            assert steps[-1].half_turns == make.step(len(steps)).half_turns
        # Nothing is restored over a bench that writes, and it goes on.
        with pytest.raises(RecordsError, match="is in use"):
            copies.restore(records, made.path)
        process.stdout.readline()
        assert process.poll() is None


# --- restore ----------------------------------------------------------------------------------


def test_a_run_interrupted_before_the_backup_is_not_only_in_what_was_there(
    records, tmp_path, make, capsys
):
    with Store.open(records) as store:
        run = store.begin_run(make.run_start())
        store.finish_step(run, make.step(1))
        store.finish_run(run, replace(make.run_end(), state=RunState.INTERRUPTED))
    copies.back_up(records, tmp_path / "mine.db")
    assert command("restore", tmp_path / "mine.db", "--records", records) == 0
    assert "only there" not in capsys.readouterr().out


def test_what_was_lost_comes_back_and_what_was_there_is_kept(records, tmp_path, make, capsys):
    backed_up = runs_in(records)
    copies.back_up(records, tmp_path / "mine.db")
    (later,) = fill(records, make, 1)
    assert command("restore", tmp_path / "mine.db", "--records", records) == 0
    out = capsys.readouterr().out
    assert runs_in(records) == backed_up
    (aside,) = (path for path in records.parent.iterdir() if "before-restore" in path.name)
    assert runs_in(aside) == {*backed_up, later}
    assert "1 run is whole only there" in out
    assert f"To undo: halfturn records restore {aside}" in out
    # And that undoes it.
    assert command("restore", aside, "--records", records) == 0
    assert runs_in(records) == {*backed_up, later}
    assert len(names(records.parent)) == 3


def test_records_that_are_gone_are_restored(records, tmp_path, capsys):
    backed_up = runs_in(records)
    copies.back_up(records, tmp_path / "mine.db")
    shutil.rmtree(records.parent)
    assert command("restore", tmp_path / "mine.db", "--records", records) == 0
    assert "There were no records before" in capsys.readouterr().out
    assert runs_in(records) == backed_up


def test_a_log_that_a_crash_left_goes_aside_with_what_is_in_it(left_off, two_runs):
    records, run = left_off
    aside = copies.restore(records, two_runs).aside
    assert names(records.parent) == sorted([aside.name, "records.db"])
    assert run not in runs_in(records)
    with Store.open(aside) as store:
        assert [step.number for step in store.run(run).steps] == [1]


@pytest.mark.parametrize("log_too", [False, True])
def test_damaged_records_are_kept_with_all_there_is_of_them(left_off, two_runs, log_too):
    records, run = left_off
    damaged = bytes(64) + records.read_bytes()[64:]
    records.write_bytes(damaged)
    log = records.with_name("records.db-wal")
    if log_too:
        log.write_bytes(bytes(32) + log.read_bytes()[32:])
    there = log.read_bytes()
    aside = copies.restore(records, two_runs).aside
    assert not log.exists()
    assert runs_in(records) == runs_in(two_runs)
    if log_too:
        assert aside.read_bytes() == damaged
        assert aside.with_name(aside.name + "-wal").read_bytes() == there
    else:  # the log has the first page too, and SQLite mends the file with it
        assert run in runs_in(aside)


@contextmanager
def looking(path: Path):
    """Another process that has the records open and does nothing, as a console at rest."""
    code = (
        "import sqlite3, sys; raw = sqlite3.connect(sys.argv[1])\n"
        "raw.execute('SELECT count(*) FROM runs').fetchone(); print(flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-S", "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        process.stdout.readline()
        yield
        process.communicate()


@pytest.mark.parametrize("damaged", [False, True])
def test_nothing_is_restored_while_another_program_has_the_records(
    records, two_runs, tmp_path, damaged, capsys
):
    with looking(records):
        if damaged:
            with records.open("r+b") as file:
                file.write(bytes(16))
        before = records.read_bytes()
        assert command("restore", two_runs, "--records", records) == 6
        assert "is in use, so nothing was changed" in capsys.readouterr().err
        assert records.read_bytes() == before
        assert not any("before-restore" in name for name in names(records.parent))
    assert command("restore", two_runs, "--records", records) == 0


def test_nobody_comes_between_the_first_look_and_the_exchange(records, two_runs, monkeypatch):
    before = records.read_bytes()
    monkeypatch.setattr(copies, "_others_have", lambda _: False)  # as if it came after the look
    with looking(records), pytest.raises(RecordsError, match="is in use"):
        copies.restore(records, two_runs)
    assert records.read_bytes() == before
    assert names(records.parent) == ["records.db"]


def test_what_is_not_sound_is_never_restored(records, tmp_path, capsys):
    made = copies.back_up(records, tmp_path / "mine.db").path
    with closing(sqlite3.connect(made)) as raw:
        raw.execute("DELETE FROM measures WHERE position = 0")
        raw.commit()
    (tmp_path / "letter.txt").write_text("a letter\n" * 200)
    (tmp_path / "half.db").write_bytes(made.read_bytes()[: made.stat().st_size // 2])
    before = records.read_bytes()
    for name in ("mine.db", "letter.txt", "half.db", "none.db", "logs/records.db"):
        assert command("restore", tmp_path / name, "--records", records) == 6
        assert capsys.readouterr().err
    assert records.read_bytes() == before
    assert names(records.parent) == ["records.db"]


def test_where_there_are_no_links_what_was_there_is_copied(records, tmp_path, make, monkeypatch):
    copies.back_up(records, tmp_path / "mine.db")
    (later,) = fill(records, make, 1)

    def no_links(*_arguments: object) -> None:
        raise PermissionError("no links on this file system")  # as a FAT stick answers

    monkeypatch.setattr(os, "link", no_links)
    aside = copies.restore(records, tmp_path / "mine.db").aside
    assert later in runs_in(aside)
    assert later not in runs_in(records)


# --- power cuts -------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["backup", "restore"])
def test_a_copy_is_on_the_disk_before_it_takes_its_place_and_its_name_after(
    records, two_runs, tmp_path, monkeypatch, what
):
    told = []
    fsync, replace = os.fsync, Path.replace

    def sync(handle):
        told.append(("sync", Path(f"/proc/self/fd/{handle}").readlink()))
        fsync(handle)

    def rename(self, target):
        told.append(("rename", self, target))
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "replace", rename)
    target = tmp_path / "mine.db" if what == "backup" else records
    if what == "backup":
        copies.back_up(records, target)
    else:
        copies.restore(records, two_runs)
    (renamed,) = (number for number, entry in enumerate(told) if entry[0] == "rename")
    _, part, to = told[renamed]
    assert to == target
    assert ("sync", part) in told[:renamed]
    assert ("sync", target.parent) in told[renamed:]


@pytest.mark.parametrize(("what", "moments"), [("backup", 12), ("restore", 14)])
def test_a_cut_at_any_moment_leaves_the_old_or_the_new_whole(tmp_path, make, what, moments):
    folder = tmp_path / "both"
    folder.mkdir()
    records, backup = folder / "records.db", folder / "mine.db"
    bare = make.step(1, half_turns=(), trace=None)
    fill(records, make, 1, bare)
    copies.back_up(records, backup)
    fill(records, make, 1, bare)  # records: 2 runs, backup: 1
    cuts = subprocess.run(
        [sys.executable, str(CUTS), what, str(records), str(backup), os.environ.get("CUTS", "2")],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert cuts.returncode == 0, cuts.stderr
    seen = [json.loads(line) for line in cuts.stdout.splitlines()]
    assert len([cut for cut in seen if not cut["done"] and cut["moment"]]) >= moments
    for cut in seen:
        holds = cut["holds"]
        new, old = holds.pop("mine.db"), holds.pop("records.db")
        if what == "backup":
            assert old == 2
            assert new == 2 if cut["done"] else new in (1, 2)
            assert holds == {}
        else:
            assert new == 1
            assert old == 1 if cut["done"] else old in (1, 2)
            assert set(holds.values()) <= {2}
            assert old == 2 or list(holds.values()) == [2]  # what was there is there still
