"""A real `halfturn console` on a pseudo-terminal of its own."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
WAIT_S = 60.0  # for a loaded machine; nothing waits so long when all is well
ANSWERS_S = 1.0  # a key that changes nothing on the screen is waited for no longer
_CONTROL = re.compile(
    r"\x1b(\[[0-9;?<>=]*[ -/]*[@-~]|\][^\x07\x1b]*(\x07|\x1b\\)|[P_^].*?\x1b\\|.)"
)


class PtyConsole:
    """`halfturn console` in a terminal of ``columns`` x ``rows``; ``program`` for another program.

    The terminal is the process's own, so closing it is what a closed SSH window is.
    """

    def __init__(self, folder, *, program=("-m", "rig.cli", "console"), columns=80, rows=24):
        self._terminal, theirs = pty.openpty()
        size = struct.pack("HHHH", rows, columns, 0, 0)
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, size)
        self.process = subprocess.Popen(
            [sys.executable, *program],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"},
            preexec_fn=lambda: os.login_tty(theirs),
        )
        os.close(theirs)
        self._drawn = bytearray()
        self._open = True
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        while self._open:
            try:
                part = os.read(self._terminal, 65536)
            except OSError:
                return  # nobody is at the other end any more
            if not part:
                return
            self._drawn += part

    @property
    def drawn_bytes(self):
        """How many bytes were sent to the terminal so far."""
        return len(self._drawn)

    @property
    def text(self):
        """Everything ever drawn, without the terminal's control codes."""
        return _CONTROL.sub("", self._drawn.decode("utf-8", "replace"))

    def wait_for(self, words, since=0):
        """Wait until ``words`` were drawn after byte ``since``."""
        self.wait(lambda: words in _CONTROL.sub("", self._drawn[since:].decode("utf-8", "replace")))

    def wait(self, done):
        """Wait until ``done()``; fail with what the terminal shows."""
        end_s = time.monotonic() + WAIT_S
        while not done():
            if (time.monotonic() > end_s or self._over()) and not done():
                raise AssertionError(f"this did not come about; drawn was\n{self.text[-4000:]}")
            time.sleep(0.02)

    def _over(self):
        """Tell whether the process has ended and everything it drew was read."""
        if self.process.poll() is None:
            return False
        self._reader.join(1.0)
        return True

    def keys(self, *keys):
        """Type keys, each a text or a control sequence, as somebody does who looks what happens."""
        for key in keys:
            before = self.drawn_bytes
            os.write(self._terminal, key.encode())
            end_s = time.monotonic() + ANSWERS_S
            while self.drawn_bytes == before and time.monotonic() < end_s:
                time.sleep(0.01)
            self.settle()

    def settle(self):
        """Wait until nothing was drawn for a moment, at most for a while: a chart always moves."""
        end_s = time.monotonic() + ANSWERS_S
        drawn = -1
        while self.drawn_bytes != drawn and time.monotonic() < end_s:
            drawn = self.drawn_bytes
            time.sleep(0.05)

    def hang_up(self):
        """Close the terminal, as a lost SSH connection does."""
        if self._open:
            self._open = False
            os.close(self._terminal)

    def ended(self):
        """Wait for the process to end; return its exit status."""
        return self.process.wait(WAIT_S)

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join(0.5)
        self.hang_up()
