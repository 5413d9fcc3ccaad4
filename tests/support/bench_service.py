"""`halfturn serve` as a process of its own, with the service manager's end of its notes."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from waiting import WAIT_S

ROOT = Path(__file__).parents[2]


class Service:
    """A bench service in ``folder``; ``notes`` are those it sent to its manager so far."""

    def __init__(self, folder, watchdog_s=0.4):
        self.folder = folder
        self.records = folder / "logs" / "records.sqlite"
        self.rig = ROOT / "rig" / "templates" / "rig.toml"
        self._watchdog_s = watchdog_s
        self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        # An abstract name: a folder of a test may be too long for a socket.
        self._manager.bind(b"\0halfturn-test-%d-%d" % (os.getpid(), id(self)))
        self._manager.settimeout(0.05)
        self.notes = []
        self.said = []
        self.start()

    def start(self):
        """Start it and wait until it says that it is ready."""
        (self.folder / "logs").mkdir(parents=True, exist_ok=True)
        self._log = (self.folder / "said.log").open("a+")
        address = "@" + self._manager.getsockname()[1:].decode()
        words = ["serve", "--rig", str(self.rig), "--records", str(self.records)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", *words, "--backend", "simulated"],
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
            env=os.environ
            | {
                "NOTIFY_SOCKET": address,
                "WATCHDOG_USEC": str(int(self._watchdog_s * 1e6)),
                "PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests" / "support"))),
            },
        )
        self.notes.clear()
        self.until(lambda: "READY=1" in self.notes)

    @property
    def told(self):
        """What it told its journal."""
        return (self.folder / "said.log").read_text()

    def listen(self):
        """Take in the notes that came; True if some did within a moment."""
        try:
            self.notes.append(self._manager.recv(4096).decode())
        except TimeoutError:
            return False
        return True

    def until(self, done):
        """Take in notes until ``done()``."""
        end_s = time.monotonic() + WAIT_S
        while not done():
            assert time.monotonic() < end_s, (self.notes[-5:], self.told)
            assert self.process.poll() is None, self.told
            self.listen()

    def kill(self):
        """End it as a crash does."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(WAIT_S)
        self._log.close()

    def close(self):
        """End it as its manager does; return its exit status."""
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(WAIT_S)
        self._log.close()
        self._manager.close()
        return self.process.returncode
