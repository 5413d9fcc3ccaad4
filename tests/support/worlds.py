"""A simulated world in a process of its own, for tests that kill its controllers."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
WAIT_S = 60.0  # for a loaded machine; nothing waits so long when all is well


def wait_until(condition, wait_s=WAIT_S):
    """Return the first true value of ``condition()``; AssertionError if there is none in time."""
    end_s = time.monotonic() + wait_s
    while not (found := condition()):
        assert time.monotonic() < end_s, f"waited {wait_s:g} s in vain"
        time.sleep(0.005)
    return found


class WorldProcess:
    """``python -m drivers.simulated.apart`` in a short folder of its own; a context manager.

    It ends with whoever started it, even if that is killed: its standard input closes then.
    """

    def __init__(self, *options):
        self.folder = Path(tempfile.mkdtemp(prefix="world-"))
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "drivers.simulated.apart", str(self.folder)),
                *("--until-stdin-closes", *options),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        self.process.stdout.readline()

    def close(self):
        """End the world."""
        self.process.kill()
        self.process.wait()
        self.process.stdin.close()
        self.process.stdout.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
