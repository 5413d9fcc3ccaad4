"""What is dear to make and the same for all tests: made once in a test run, not by every worker."""

from __future__ import annotations

import fcntl
import os
import pickle
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

VARIABLE = "HALFTURN_TESTS_MADE"


class MadeOnce:
    """The folder in which the workers of this run share what they made.

    Whoever starts them makes it and clears it away; they find it in their environment.
    """

    def __init__(self):
        self._folder = TemporaryDirectory(prefix="halfturn-tests-")
        os.environ[VARIABLE] = self._folder.name

    def clear(self):
        os.environ.pop(VARIABLE, None)
        self._folder.cleanup()


@cache
def _by_ourselves():
    """Return a folder for a script that is no test run; it goes with the process."""
    return MadeOnce()


def made_once(name, make):
    """Return the folder that ``make(folder)`` filled, and what it returned (to be pickled).

    Others of the same run wait for whoever makes it.  Copy what a test changes.
    """
    if VARIABLE not in os.environ:
        _by_ourselves()
    folder = Path(os.environ[VARIABLE]) / name
    folder.mkdir(exist_ok=True)
    told = folder / "told.pickle"
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not told.exists():
            told.write_bytes(pickle.dumps(make(folder)))
    return folder, pickle.loads(told.read_bytes())
