"""A pseudo-terminal behind which an SCPI bench supply answers."""

from __future__ import annotations

import contextlib
import os
import select
import tempfile
import threading
import tty
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
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
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
        if self._thread is not None:
            return
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # Our own hold on the slave keeps the master readable after a client has closed.
        self._link_to(os.ttyname(self._slave))
        self._wake_read, self._wake_write = os.pipe()
        self._stop.clear()
        self._thread = threading.Thread(target=self._serve, name="simulated supply", daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Take the supply's cable off: an open port fails, and a closed one is absent."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._stop.set()
        os.write(self._wake_write, b"x")
        thread.join()
        for handle in (self._master, self._slave, self._wake_read, self._wake_write):
            os.close(handle)
        Path(self.path).unlink(missing_ok=True)

    def close(self) -> None:
        """Take everything down.  Idempotent."""
        self.unplug()
        self._folder.cleanup()

    def _link_to(self, device: str) -> None:
        link = Path(self.path)
        link.unlink(missing_ok=True)
        link.symlink_to(device)

    def _serve(self) -> None:
        waiting = b""
        while not self._stop.is_set():
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
                self._answer(line)

    def _answer(self, line: bytes) -> None:
        if self.delay_s > 0 and self._stop.wait(self.delay_s):
            return
        response = self._instrument.execute(line.decode("ascii", "replace").strip())
        if response is None or self.silent:
            return
        with contextlib.suppress(OSError):  # a client that reads nothing loses its replies
            os.write(self._master, response.encode("ascii") + self.line_end)
