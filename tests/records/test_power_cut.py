"""What a power cut leaves of the records: every step that was told to be kept, at whatever moment.

A cut loses what was written and not synced (`tests/support/power_cut`); the calls to the files are
those of SQLite and of nobody else.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from pathlib import Path
from uuid import UUID

import power_cut
import preloads
import pytest

import rig
from rig.records.model import RunState
from rig.records.store import Store

pytestmark = pytest.mark.skipif(preloads.COMPILER is None, reason="no C compiler for the journal")

ROOT = Path(rig.__file__).parents[1]
WRITER = Path(__file__).with_name("writer_process.py")
STEPS = 5


@pytest.fixture(scope="module")
def preload(tmp_path_factory):
    return preloads.build(tmp_path_factory.mktemp("preload"))


def journalled(preload, folder, journal, *command):
    """Start a Python program whose calls to the files in ``folder`` are journalled."""
    environment = {
        "LD_PRELOAD": preload,
        "CUT_FOLDER": str(folder),
        "CUT_JOURNAL": str(journal),
        "PYTHONPATH": str(ROOT),
    }
    return subprocess.Popen(
        [sys.executable, *command],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
    )


def lefts(before, journal, target, seeds):
    """Yield what cuts at the journal's end leave, as {name: content}."""
    for seed in seeds:
        shutil.rmtree(target, ignore_errors=True)
        power_cut.after_cut(before, journal, target, seed)
        files = [path for path in target.rglob("*") if path.is_file()]
        yield {str(path.relative_to(target)): path.read_bytes() for path in files}


PROGRAM = """
import os, sys
folder = os.open(sys.argv[1], os.O_RDONLY)
def write(name, data, sync):
    handle = os.open(os.path.join(sys.argv[1], name), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.write(handle, data)
    if sync: os.fsync(handle)
    os.close(handle)
write("whole", b"a" * 2000, True)
write("half", b"a" * 512, True)
os.fsync(folder)
write("half", b"b" * 1024, False)
write("nameless", b"a", True)
os.unlink(os.path.join(sys.argv[1], "old"))
os.fsync(folder) if len(sys.argv) > 2 else None
"""


@pytest.mark.parametrize("synced", [False, True])
def test_a_cut_keeps_what_was_synced_and_may_lose_the_rest(preload, tmp_path, synced):
    """Checked against what fsync(2) and POSIX promise, not against a disk."""
    folder, before, journal = tmp_path / "f", tmp_path / "before", tmp_path / "j"
    folder.mkdir()
    (folder / "old").write_bytes(b"old")
    power_cut.copy_of(folder, before)
    arguments = ["-c", PROGRAM, str(folder), *["synced"] * synced]
    with journalled(preload, folder, journal, *arguments) as process:
        assert process.wait() == 0
    (own,) = tmp_path.glob("j.*")
    found = list(lefts(before, own, tmp_path / "left", range(60)))
    assert all(left["whole"] == b"a" * 2000 for left in found)
    a, b, zeros = b"a" * 512, b"b" * 512, bytes(512)
    assert {left["half"] for left in found} == {a, a + b, a + b + b, a + zeros + b}
    named = {(left.get("nameless"), left.get("old")) for left in found}
    if synced:
        assert named == {(b"a", None)}
    else:  # in their order: the second change never without the first
        assert named == {(None, b"old"), (b"a", b"old"), (b"a", None)}


@pytest.fixture(scope="module")
def life(preload, tmp_path_factory):
    """A folder before, the journal of a writer that was killed, and how long it was at each word.

    The writer makes a folder for the records, begins a run and keeps steps.
    """
    top = tmp_path_factory.mktemp("life")
    folder, before = top / "disk", top / "before"
    folder.mkdir()
    power_cut.copy_of(folder, before)
    with journalled(preload, folder, top / "j", str(WRITER), str(folder / "new/r.db")) as process:
        words = []
        for _ in range(1 + STEPS):
            word = process.stdout.readline().strip()
            (journal,) = top.glob("j.*")
            words.append((word, journal.stat().st_size))
        process.kill()
    return before, journal.read_bytes(), words


def test_a_cut_at_any_moment_keeps_every_step_that_was_told(life, make, tmp_path):
    before, journal, words = life
    rng = random.Random(1)
    ends = [length for _, length in words]
    moments = [*ends, *(rng.randint(0, len(journal)) for _ in range(10))]
    run = UUID(words[0][0])
    for moment in moments:
        part, left = tmp_path / "journal", tmp_path / "left"
        part.write_bytes(journal[:moment])
        shutil.rmtree(left, ignore_errors=True)
        power_cut.after_cut(before, part, left, rng.random())
        told = sum(end <= moment for end in ends)
        with Store.open(left / "new" / "r.db") as store:
            store.mark_interrupted()
            if not told and not store.runs():
                continue
            steps = store.run(run, with_traces=True).steps
            assert [step.number for step in steps] == list(range(1, len(steps) + 1))
            assert len(steps) >= told - 1
            for step in steps:
                assert step.half_turns == make.step(step.number).half_turns
                assert (
                    step.trace.current_a.tobytes()
                    == make.step(step.number).trace.current_a.tobytes()
                )
            assert store.runs()[0].state is RunState.INTERRUPTED
