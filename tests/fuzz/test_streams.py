"""Output that goes nowhere or to a terminal of few characters; records to be read only."""

from __future__ import annotations

import io
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz_place import a_place

from rig.records.store import RecordsError, Store

ROOT = Path(__file__).parents[2]
RUN = ("run", "quick.toml", "--backend", "simulated", "--accept-cautions", "--quiet")
COMMANDS = [
    (("faults",), 0),
    (("check",), 0),
    (("check", "none"), 4),
    (("records", "list"), 0),
    (("records", "show", "zz"), 6),
    (("judge", "trace.csv", "--plan", "qualify"), 2),
    (RUN, 0),
    (("new", "other"), 0),
    (("nonsense",), 3),
]


@pytest.mark.parametrize(("words", "status"), COMMANDS)
def test_a_terminal_without_our_characters(words, status):
    with a_place() as here:
        ended = here.run(*words, encoding="ascii")
        assert ended.status == status
        if words == RUN:
            assert "0.000 A +/- 0.0" in ended.out


@pytest.mark.parametrize(("words", "status"), COMMANDS)
def test_an_answer_that_cannot_be_written_is_told_and_is_no_success(words, status):
    with a_place() as here:
        ended = here.run(*words, lost="out")
        if status in (3, 6):  # nothing was to be said there
            assert ended.status == status
            return
        assert ended.status == 4
        assert "standard output could not be written: no space left" in ended.error
        if words == RUN:
            assert "The verdict was PASS; run " in ended.error
            assert "quick" in here.run("records", "list").out
        if words[0] == "judge":
            assert "The verdict was RETEST." in ended.error


@pytest.mark.parametrize(("words", "status"), COMMANDS)
def test_a_standard_error_that_cannot_be_written_changes_no_status(words, status):
    with a_place() as here:
        assert here.run(*words, lost="error").status == status


def in_a_shell(command, folder):
    """Run a shell's command line in a rig folder; return its status and standard error."""
    program = f'"{sys.executable}" -m rig.cli'
    done = subprocess.run(
        ["sh", "-c", command.replace("halfturn", program)],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "Traceback" not in done.stdout + done.stderr
    return done.returncode, done.stderr


def test_real_streams_that_are_full_or_closed():
    run = " ".join(RUN)
    with a_place() as here:
        status, error = in_a_shell("halfturn faults > /dev/full", here.bench)
        assert (status, "no space left" in error) == (4, True)
        assert in_a_shell(f"halfturn {run} <&- >&- 2>&-", here.bench) == (0, "")
        # Nothing was written into the records that took the number of a closed stream.
        assert here.run("records", "list").out.count("quick") == 1


class _Terminal(io.TextIOWrapper):
    def isatty(self):
        return True


@pytest.mark.parametrize(
    ("drawn_on", "says"),
    [
        (_Terminal(io.BytesIO(), "ascii"), "LC_ALL=C.UTF-8"),
        (_Terminal(io.BytesIO(), "latin-1"), "(latin-1)"),
        (io.TextIOWrapper(io.BytesIO(), "utf-8"), "standard error"),
        (None, "standard error"),
    ],
)
def test_a_console_that_could_not_be_read_is_not_opened(drawn_on, says):
    from rig.commands.console import _need_signs
    from rig.commands.exits import CommandError

    with pytest.raises(CommandError) as caught:
        _need_signs(drawn_on)
    assert caught.value.status == 3
    assert says in str(caught.value)
    _need_signs(_Terminal(io.BytesIO(), "utf-8"))


def test_a_fault_whose_details_cannot_be_kept_is_told_all_the_same(monkeypatch, tmp_path, capsys):
    from rig.cli import main

    def broken(_options):
        raise ZeroDivisionError("nobody foresaw it")

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("rig.commands.faults.run", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    assert main(["faults"]) == 70
    error = capsys.readouterr().err
    assert "nobody foresaw it" in error
    assert "could not be kept" in error


# --- records that may only be read --------------------------------------------------------------


@pytest.fixture
def archive():
    """A rig folder whose records nobody may write, and a way to run commands on it."""
    without_rights = []
    if os.geteuid() == 0:  # root may write anywhere unless that right is taken from it
        without_rights = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search", "--"]
        assert shutil.which("setpriv")

    def run(folder, *words):
        return subprocess.run(
            [*without_rights, sys.executable, "-m", "rig.cli", *words],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=60,
        )

    with a_place() as here:
        yield here, run
        (here.bench / "logs").chmod(0o755)


def protect(logs):
    """Let nobody write in a folder nor on its files."""
    for path in logs.iterdir():
        path.chmod(0o444)
    logs.chmod(0o555)


def test_records_that_may_only_be_read_are_read(archive):
    here, run = archive
    logs = here.bench / "logs"
    protect(logs)
    before = {path.name: path.read_bytes() for path in logs.iterdir()}
    listed = run(here.bench, "records", "list")
    assert (listed.returncode, listed.stderr) == (0, "")
    assert "LM-12-0041" in listed.stdout
    refused = run(here.bench, *RUN)
    assert refused.returncode == 6
    assert "read-only" in refused.stderr
    assert {path.name: path.read_bytes() for path in logs.iterdir()} == before


def test_what_is_still_in_the_log_beside_the_records_is_not_left_out_in_silence(archive):
    here, run = archive
    logs = here.bench / "logs"
    raw = sqlite3.connect(logs / "records.sqlite")
    raw.execute("UPDATE units SET serial = 'NEW-1' WHERE serial = 'LM-12-0041'")
    raw.commit()
    copy = here.bench / "copy"  # as a copy of a folder in use is
    shutil.copytree(logs, copy)
    raw.close()
    (copy / "records.sqlite-shm").unlink()
    protect(copy)
    ended = run(here.bench, "records", "list", "--records", "copy/records.sqlite")
    copy.chmod(0o755)
    assert ended.returncode == 6
    assert "LM-12-0041" not in ended.stdout


def test_older_records_that_may_only_be_read_are_told(tmp_path, monkeypatch):
    path = tmp_path / "records.sqlite"
    Store.open(path).close()
    monkeypatch.setattr("rig.records.database.SCHEMA", "9999")
    monkeypatch.setattr("rig.records.database._forbidden", lambda _error: True)
    monkeypatch.setattr("rig.records.database._migrate", _refuse)
    with pytest.raises(RecordsError, match="Copy them to a folder where you may write"):
        Store.open(path, create=False)


def _refuse(_connection, _path):
    error = sqlite3.OperationalError("attempt to write a readonly database")
    error.sqlite_errorcode = sqlite3.SQLITE_READONLY
    raise error
