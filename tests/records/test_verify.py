"""`halfturn records verify`: what is damaged is found and told, and nothing is changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import sys
import tracemalloc
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from writing import writer

from rig.analysis.model import Judgement, Reason, Verdict
from rig.cli import main
from rig.commands import meter
from rig.records.errors import RecordsError
from rig.records.store import Store
from rig.records.verify import verify

DATA = Path(__file__).with_name("data")
PLAN = 'title = "two"\n[[step]]\nkind = "zero"\n[[step]]\nkind = "half_turns"\n'


@pytest.fixture(scope="module")
def sound(tmp_path_factory, make):
    """Records of two runs, three steps each, the second interrupted before its third."""
    path = tmp_path_factory.mktemp("sound") / "records.db"
    with Store.open(path) as store:
        for count in (3, 2):
            run = store.begin_run(make.run_start())
            for number in range(1, count + 1):
                store.finish_step(run, make.step(number))
            store.add_event(run, make.event())
            if count == 3:
                store.finish_run(run, make.run_end())
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE runs SET owner_boot = 'an earlier one'")
        raw.commit()
    return path


@pytest.fixture
def copy(sound, tmp_path):
    return Path(shutil.copy(sound, tmp_path))


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as raw:
        for statement in statements:
            raw.execute(statement)
        raw.commit()


def files(path: Path) -> dict[str, str]:
    """The files of a folder by the digests of what they hold."""
    found = path.parent.iterdir()
    return {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in found}


def told(path: Path) -> list[str]:
    return [problem.what for problem in verify(path).problems]


def test_sound_records_are_told_to_be_sound_and_stay_as_they_are(copy, capsys):
    before = files(copy)
    assert main(["records", "verify", "--records", str(copy)]) == 0
    assert files(copy) == before
    out = capsys.readouterr().out
    assert "2 runs, 5 steps, 10 half-turns, 5 traces of 5000 samples" in out
    assert "interrupted, whole as far as it went: " in out
    assert "sound: " in out


def test_json_tells_the_same(copy, capsys):
    assert main(["records", "verify", "--json", "--records", str(copy)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sound"] is True
    assert told["problems"] == told["running"] == []
    assert len(told["interrupted"]) == 1
    assert (told["runs"], told["traces"], told["samples"]) == (2, 5, 5000)
    change(copy, "DELETE FROM measures WHERE position = 0")
    assert main(["records", "verify", "--json", "--records", str(copy)]) == 6
    told = json.loads(capsys.readouterr().out)
    assert told["sound"] is False
    assert len(told["problems"]) == 5
    assert told["problems"][0].keys() == {"what", "do", "run", "step"}


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.data())
def test_a_flipped_bit_anywhere_in_a_trace_is_found_and_told_with_run_and_step(
    sound, tmp_path_factory, data
):
    path = Path(shutil.copy(sound, tmp_path_factory.mktemp("flip")))
    with closing(sqlite3.connect(path)) as raw:
        traces = raw.execute(
            "SELECT t.rowid, t.data, s.number, s.run_id FROM traces t JOIN steps s "
            "ON s.id = t.step_id"
        ).fetchall()
        flipped = data.draw(st.sets(st.sampled_from(range(len(traces))), min_size=1))
        for row, blob, *_ in (traces[one] for one in flipped):
            bits = 8 * len(blob)  # the header and the checksum are small beside the columns
            ends = st.integers(0, 799) | st.integers(bits - 256, bits - 1)
            bit = data.draw(st.integers(0, bits - 1) | ends)
            changed = bytearray(blob)
            changed[bit // 8] ^= 1 << bit % 8
            raw.execute("UPDATE traces SET data = ? WHERE rowid = ?", (bytes(changed), row))
        raw.commit()
    found = verify(path).problems
    assert all(problem.what.startswith("Its trace cannot be read") for problem in found)
    damaged = {(traces[one][3], traces[one][2]) for one in flipped}
    assert {(problem.run.replace("-", ""), problem.step) for problem in found} == damaged


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DROP INDEX ix_runs_state", "index ix_runs_state on state"),
        ("ALTER TABLE runs DROP COLUMN note", "column note (varchar not null)"),
        ("ALTER TABLE half_turns RENAME COLUMN run_a TO walk_a", "column run_a (double)"),
        ("DROP TABLE reasons", "column position (integer not null)"),
        ("DELETE FROM units", "belongs to one of units that is not there"),
        ("UPDATE texts SET text = text || ' '", "has changed since"),
        ("UPDATE runs SET state = 'finnished'", "runs.state holds what cannot be: “finnished”"),
        ("UPDATE runs SET started_at = 'noon'", "runs.started_at holds what cannot be"),
        ("UPDATE steps SET answers = '{'", "steps.answers holds what cannot be"),
        ("UPDATE steps SET answers = '[1]'", "steps.answers holds what cannot be"),
        ("UPDATE runs SET golden = '[1]'", "runs.golden holds what cannot be"),
        ("UPDATE runs SET lateness = '{\"woken\": 1}'", "loop's lateness is not as halfturn"),
        ("UPDATE half_turns SET run_a = 'x'", "half_turns.run_a holds what cannot be"),
        ("UPDATE steps SET note = CAST(x'ff' AS TEXT)", "steps.note holds what cannot be"),
        ("DELETE FROM half_turns WHERE position = 0", "half-turns are missing"),
        ("DELETE FROM reasons WHERE position = 0", "reasons are missing"),
        ("DELETE FROM reasons", "a verdict without a reason"),
        ("UPDATE runs SET ended_at = NULL WHERE state = 'finished'", "has ended, but not when"),
        (f"UPDATE steps SET number = {2**63 - 1} WHERE number = 2", "... are missing: it has"),
        ("UPDATE traces SET samples = 999", "has 1000 samples, and 999 were recorded"),
        ("DELETE FROM traces", "half-turns have no trace"),
        ("UPDATE alembic_version SET version_num = '9999'", "of a newer halfturn"),
        ("DROP TABLE alembic_version", "revision cannot be read"),
        ("PRAGMA application_id = 7", "no records file of halfturn"),
    ],
)
def test_what_is_missing_or_cannot_be_is_found(copy, statement, words):
    change(copy, statement)
    assert any(words in what for what in told(copy)), told(copy)


def test_nothing_is_counted_up_to_a_step_number_that_was_read(copy):
    change(copy, "UPDATE steps SET number = 3000000 WHERE number = 3")
    tracemalloc.start()
    try:
        (what,) = {what for what in told(copy) if "missing" in what}
        assert tracemalloc.get_traced_memory()[1] < 20 << 20
    finally:
        tracemalloc.stop()
    assert what == (
        "Its steps 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 ... are missing: it has 1, 2, 3000000."
    )


def test_a_step_that_is_missing_is_told_with_its_run(copy, make, capsys):
    with closing(sqlite3.connect(copy)) as raw:
        run, step = raw.execute(
            "SELECT r.id, s.id FROM steps s JOIN runs r ON r.id = s.run_id "
            "WHERE s.number = 2 AND r.state = 'finished'"
        ).fetchone()
    change(
        copy,
        *(f"DELETE FROM {t} WHERE step_id = '{step}'" for t in ("half_turns", "measures")),
        f"DELETE FROM traces WHERE step_id = '{step}'",
        f"DELETE FROM steps WHERE id = '{step}'",
    )
    (problem,) = verify(copy).problems
    assert problem.what == "Its step 2 is missing: it has 1, 3."
    assert problem.run.replace("-", "") == run
    assert main(["records", "verify", "--records", str(copy)]) == 6
    out = capsys.readouterr().out
    assert f"run {problem.run}: Its step 2 is missing" in out
    assert "halfturn records show RUN --records BACKUP" in out


def test_a_pass_with_a_step_too_few_is_found(tmp_path, make):
    passed = make.run_end(judgement=Judgement(Verdict.PASS, (Reason(Verdict.PASS, "all"),)))
    with Store.open(tmp_path / "records.db") as store:
        for steps in (2, 1):
            run = store.begin_run(make.run_start(plan_text=PLAN))
            for number in range(1, steps + 1):
                store.finish_step(run, make.step(number))
            store.finish_run(run, passed)
    (problem,) = verify(tmp_path / "records.db").problems
    assert problem.what == "It passed the unit with 1 of its plan's 2 steps recorded."
    assert problem.run == str(run)


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.floats(0, 1, exclude_max=True))
def test_a_truncated_file_is_not_sound(sound, tmp_path_factory, part):
    path = tmp_path_factory.mktemp("cut") / "records.db"
    whole = sound.read_bytes()
    path.write_bytes(whole[: int(part * len(whole))])
    assert not verify(path).sound


def test_no_records_and_other_files_are_told(tmp_path, capsys):
    there = tmp_path / "notes.txt"
    there.write_text("a letter\n" * 200)
    other = tmp_path / "other.db"
    change(other, "CREATE TABLE t (x)")
    for path, words in (
        (tmp_path / "none.db", "There are no records"),
        (tmp_path, "is not a file"),
        (there, "cannot be read to its end"),
        (other, "no records file of halfturn"),
    ):
        assert main(["records", "verify", "--records", str(path)]) == 6
        said = capsys.readouterr()
        assert words in said.out + said.err
    with pytest.raises(RecordsError):
        verify(tmp_path / "none.db")


def test_long_work_tells_how_far_it_is(copy, capsys, monkeypatch):
    monkeypatch.setattr(meter, "_SAY_AFTER_S", -1.0)
    assert main(["records", "verify", "--records", str(copy)]) == 0
    assert capsys.readouterr().err == "traces ...\n"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setattr(meter, "_SHOW_EVERY_S", 0.0)
    assert main(["records", "verify", "--records", str(copy)]) == 0
    err = capsys.readouterr().err
    assert "\r\x1b[Ktraces 80%" in err
    assert err.endswith("\r\x1b[K")


def test_records_of_the_first_schema_are_verified_as_such(tmp_path):
    path = tmp_path / "records.db"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((DATA / "revision_0001.sql").read_bytes().decode())
    before = files(path)
    found = verify(path)
    assert found.problems == []
    assert found.revision == "0001"
    assert files(path) == before


def test_a_bench_may_write_meanwhile(tmp_path):
    path = tmp_path / "records.db"
    with writer(path) as process:
        run = process.stdout.readline().strip()
        process.stdout.readline()
        for _ in range(3):
            found = verify(path)
            assert found.problems == []
            assert [line.run for line in found.running] == [run]
            assert found.counts["steps"] == found.counts["traces"] >= 1
        assert process.poll() is None
    # It was killed: its log is still there, is read, and stays as it is.
    before = files(path)
    found = verify(path)
    assert found.problems == []
    assert [line.run for line in found.interrupted] == [run]
    log = path.with_name("records.db-wal").name
    assert files(path)[log] == before[log]
    assert files(path)["records.db"] == before["records.db"]
