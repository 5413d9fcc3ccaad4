"""A rig folder in a folder that is watched: one command is run there and must keep the rule."""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
import sys
import tempfile
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fuzz_seeds import HEADER, small_trace
from fuzz_targets import BrokenRuleError, check_message, hold, run_of

from rig.cli import main
from rig.newrig import make_rig_folder
from rig.records.store import Store

DOCUMENTED = frozenset(range(8))
"""Exit statuses of the README but 70, which only a fault in the program may end with."""

QUICK = """
title = "Nothing drawn"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
[limits]
half_turn_max_s = 1.2
rest_max_a = 0.05
[guard]
over_current_a = 33.0
over_current_s = 0.05
[[step]]
kind = "rest_draw"
duration_s = 0.2
"""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit status and what it printed."""

    status: int
    out: str
    error: str


class Place:
    """``outside`` holds the rig folder ``bench``, a home, a folder for temporary files and a file.

    Commands run in ``bench``; nothing else in ``outside`` may be changed by them.
    """

    def __init__(self, outside: Path) -> None:
        self.outside = outside
        self.bench = outside / "bench"
        shutil.copytree(_template(), outside, symlinks=True, dirs_exist_ok=True)

    def run(
        self, *arguments: str | bytes, stdin: bytes = b"", encoding: str = "utf-8", lost: str = ""
    ) -> Ended:
        """Run one command line as given by a shell; BrokenRuleError if it breaks the rule.

        ``encoding`` is that of the terminal; ``lost`` names streams (``out``, ``error``) that
        cannot be written, as on a full disk.
        """
        before = self._looked()
        words = [os.fsdecode(argument) for argument in arguments]
        ended = self._run(words, _streams(stdin, encoding, lost))
        hold(self._looked() == before, "nothing outside the rig folder is made or changed")
        hold(ended.status in DOCUMENTED, f"the status is documented: {ended}")
        hold("Traceback" not in ended.out + ended.error, f"no traceback is shown: {ended}")
        for text in (ended.out, ended.error):
            printable = all(c.isprintable() or c in "\n\t" for c in text)
            hold(printable, f"nothing upsets the terminal: {text!r}")
        if ended.status >= 3 and "error" not in lost:
            if "--json" in words and not ended.error:  # `check` tells the mistakes in its object
                hold(bool(json.loads(ended.out)), "what is wrong is told")
            else:
                check_message(ended.error)
        return ended

    def _run(self, words: list[str], streams) -> Ended:
        with streams as (out, error), self._here(), warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                status = main(words)
            except SystemExit as end:  # argparse
                status = end.code if isinstance(end.code, int) else 1
            except Exception as fault:
                raise BrokenRuleError(f"the program ended with a traceback: {fault!r}") from fault
        # What was printed is ASCII where the terminal is, which is UTF-8 too.
        return Ended(status, out.getvalue().decode(), error.getvalue().decode())

    @contextmanager
    def _here(self):
        old, environment, temporary = Path.cwd(), dict(os.environ), tempfile.tempdir
        os.environ |= {"HOME": str(self.outside / "home"), "TMPDIR": str(self.outside / "tmp")}
        tempfile.tempdir = None  # what it had found is kept otherwise
        os.chdir(self.bench)
        try:
            yield
        finally:
            os.chdir(old)
            os.environ.clear()
            os.environ.update(environment)
            tempfile.tempdir = temporary

    def _looked(self) -> dict[str, tuple[int, int]]:
        found = {}
        for folder, folders, files in os.walk(self.outside):
            # The rig folder, and what the drawing library keeps in a home: a list of fonts.
            folders[:] = [name for name in folders if name not in ("bench", ".cache", ".config")]
            for name in (*folders, *files):
                path = os.path.join(folder, name)  # noqa: PTH118
                state = os.lstat(path)
                # What came and went in a folder changes its time; nothing is left of it.
                found[path] = (0, 0) if name in folders else (state.st_mtime_ns, state.st_size)
        return found


@contextmanager
def a_place():
    """Give a fresh rig folder, gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="halfturn-fuzz-") as folder:
        yield Place(Path(folder))


class _Full(io.BytesIO):
    def write(self, _data) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@contextmanager
def _streams(stdin: bytes, encoding: str, lost: str):
    """Standard streams as Python makes them, over bytes in memory."""
    old = sys.stdin, sys.stdout, sys.stderr
    out, error = (_Full() if name in lost else io.BytesIO() for name in ("out", "error"))
    sys.stdin = io.TextIOWrapper(io.BytesIO(stdin), encoding)
    sys.stdout = io.TextIOWrapper(out, encoding, write_through=True)
    sys.stderr = io.TextIOWrapper(error, encoding, "backslashreplace", write_through=True)
    made = sys.stdout, sys.stderr
    try:
        yield out, error
    finally:
        for stream in {sys.stdout, sys.stderr} - {*made}:
            stream.close()  # to nowhere, in place of one that could not be written
        for stream in made:
            stream.detach()
        sys.stdin, sys.stdout, sys.stderr = old


@cache
def _template() -> Path:
    kept = tempfile.TemporaryDirectory(prefix="halfturn-fuzz-")
    _kept.append(kept)
    outside = Path(kept.name)
    bench = outside / "bench"
    for name in ("home", "tmp"):
        (outside / name).mkdir()
    (outside / "beside.txt").write_text("somebody else's")
    make_rig_folder(bench)
    (bench / "quick.toml").write_text(QUICK)
    (bench / "trace.csv").write_bytes(small_trace())
    (bench / "short.csv").write_bytes(HEADER)
    (bench / "binary").write_bytes(bytes(range(256)) * 8)
    (bench / "loop").symlink_to("loop")
    (bench / "line\nbreak.toml").write_text(QUICK)
    (bench / "folder").mkdir()
    with Store.open(bench / "logs" / "records.sqlite") as store:
        store.begin_run(run_of("LM-12-0041").start)
        run = run_of("=1+1")
        run_id = store.begin_run(run.start)
        for step in run.steps:
            store.finish_step(run_id, step)
    return outside


_kept: list[tempfile.TemporaryDirectory[str]] = []
