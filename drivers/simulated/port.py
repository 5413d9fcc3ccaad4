"""A pseudo-terminal behind which an SCPI bench supply answers."""

from __future__ import annotations

import contextlib
import os
import select
import tempfile
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from .scpi_instrument import ScpiInstrument, SupplyModel

__all__ = ["ScpiSupplyPort", "SupplyModel"]

_LONGEST_LINE = 65_536


class ScpiSupplyPort:
    """A serial port with a bench supply at its end; open ``path`` with pyserial.

    ``path`` stays the same when the supply is unplugged and plugged in again, as the names under
    ``/dev/serial/by-id`` do.  Faults, to be set at any time: ``silent`` (carries out, but never
    answers), ``lies`` (takes settings without an error and does not carry them out), ``delay_s``
    (answers late), ``line_end``, ``unplug()`` and ``replug()``, ``queue_error(number)``.

    ``max_v`` and ``max_a`` are the largest settings of the supply.
    """

    def __init__(self, supply: SupplyModel, *, max_v: float = 32.0, max_a: float = 40.0) -> None:
        self.silent = False
        self.delay_s = 0.0
        self.line_end = b"\n"
        self._instrument = ScpiInstrument(supply, max_v, max_a)
        self._folder = tempfile.TemporaryDirectory(prefix="halfturn-port-")
        self.path = str(Path(self._folder.name) / "supply")
        self._line: _Line | None = None
        self.replug()

    @property
    def lies(self) -> bool:
        """Whether settings are taken without an error and not carried out."""
        return self._instrument.deaf

    @lies.setter
    def lies(self, value: bool) -> None:
        self._instrument.deaf = value

    def queue_error(self, number: int) -> None:
        """Put an error into the supply's error queue."""
        self._instrument.queue_error(number)

    def replug(self) -> None:
        """Connect the supply.  Whatever it was set to, it still is."""
        if self._line is None:
            self._line = _Line(self._answer)
            link = Path(self.path)
            link.unlink(missing_ok=True)
            link.symlink_to(self._line.device)

    def unplug(self, *, wait: bool = True) -> None:
        """Take the supply's cable off: an open port fails, and a closed one is absent.

        ``wait`` False: an open port may fail a moment later, once the supply has done what it is
        at.
        """
        line, self._line = self._line, None
        if line is not None:
            Path(self.path).unlink(missing_ok=True)
            line.cut(wait=wait)

    def close(self) -> None:
        """Take everything down.  Idempotent."""
        self.unplug()
        self._folder.cleanup()

    def _answer(self, message: bytes, line: _Line) -> None:
        if self.delay_s > 0 and line.is_cut.wait(self.delay_s):
            return
        response = self._instrument.execute(message.decode("ascii", "replace").strip())
        if response is not None and not self.silent:
            line.send(response.encode("ascii") + self.line_end)


class _Line:
    """A pseudo-terminal with a thread that hands every line that comes in to ``answer``."""

    def __init__(self, answer: Callable[[bytes, _Line], None]) -> None:
        self.is_cut = threading.Event()
        self._answer = answer
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # Our own hold on the slave keeps the master readable after a client has closed.
        self.device = os.ttyname(self._slave)
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="simulated supply", daemon=True)
        self._thread.start()

    def cut(self, *, wait: bool) -> None:
        """End the line; with ``wait`` it has ended when this returns."""
        self.is_cut.set()
        os.close(self._wake_write)
        if wait:
            self._thread.join()

    def send(self, reply: bytes) -> None:
        """Send to whoever has the port open."""
        with contextlib.suppress(OSError):  # a client that reads nothing loses its replies
            os.write(self._master, reply)

    def _serve(self) -> None:
        try:
            self._take_lines()
        finally:
            for handle in (self._master, self._slave, self._wake_read):
                os.close(handle)

    def _take_lines(self) -> None:
        waiting = b""
        while not self.is_cut.is_set():
            ready, _, _ = select.select([self._master, self._wake_read], [], [])
            if self._master not in ready:
                continue
            try:
                waiting += os.read(self._master, 4096)
            except OSError:  # nothing there, or the last client has gone
                continue
            *lines, waiting = waiting.split(b"\n")
            waiting = waiting[-_LONGEST_LINE:]
            for line in lines:
                self._answer(line, self)
