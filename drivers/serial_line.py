"""Lines of text over a serial port, for instruments that answer with terminated lines.

A reply that comes too late must never be taken for the answer to the next query.  So only
terminated lines count, and whoever missed a reply has to resynchronise (``BenchSupply`` does).
"""

from __future__ import annotations

import contextlib
import termios
import time

import serial

from . import SupplyError

# pyserial lets OSError through from some calls and termios.error, which is no OSError, from others.
_TROUBLE = (OSError, termios.error)
_QUIET_S = 0.05  # a line with nothing coming for so long is drained (guess)
_MAX_LINE = 4096
_SHOWN = 60  # bytes of an unfinished line that are repeated: enough to recognise a wrong rate


class NoReplyError(SupplyError):
    """Nothing, or no whole line, came in time."""


class LineLink:
    """One serial port, opened for ourselves alone."""

    def __init__(self, path: str, baud: int, timeout_s: float) -> None:
        self.path = path
        self.timeout_s = timeout_s
        self._baud = baud
        self._port: serial.Serial | None = None

    @property
    def is_open(self) -> bool:
        """Whether the port is held."""
        return self._port is not None

    def open(self) -> None:
        """Open the port; SupplyError if it is absent, not allowed or in use."""
        self.close()
        try:
            self._port = serial.Serial(
                self.path,
                self._baud,
                timeout=self.timeout_s,
                write_timeout=self.timeout_s,
                exclusive=True,
            )
        except (*_TROUBLE, ValueError) as error:
            raise SupplyError(
                f"The serial port {self.path} of the bench supply cannot be opened: {error}. See "
                "that the supply is connected and on, that no other program uses the port, and "
                "that you are in the group dialout."
            ) from error

    def close(self) -> None:
        """Give the port back.  Idempotent."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*_TROUBLE):  # it may be gone already
                port.close()

    def send(self, text: str) -> None:
        """Send one line; SupplyError, with the port given back, if it cannot be sent."""
        port = self._held()
        try:
            port.write(text.encode("ascii") + b"\n")
        except _TROUBLE as error:
            raise self._down(error) from error

    def receive(self, timeout_s: float | None = None) -> str:
        """Return the next line without its end; NoReplyError if none came whole in time."""
        port = self._held()
        try:
            port.timeout = self.timeout_s if timeout_s is None else timeout_s
            line = port.read_until(b"\n", _MAX_LINE)
        except _TROUBLE as error:
            raise self._down(error) from error
        if not line.endswith(b"\n"):
            shown = repr(line) if len(line) <= _SHOWN else f"{len(line)} bytes"
            part = f" but {shown} without a line end" if line else ""
            raise NoReplyError(
                f"The bench supply on {self.path} sent nothing{part} within {port.timeout:g} s. "
                "See that it is on, in remote mode, and set to the rig file's baud rate."
            )
        # Noise may bring control characters, and what came is shown and recorded.
        text = line.decode("ascii", "replace").strip()
        return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)

    def drain(self) -> None:
        """Throw away whatever comes until the line is quiet, for no longer than the timeout."""
        port = self._held()
        end_s = time.monotonic() + self.timeout_s
        try:
            port.timeout = _QUIET_S
            while port.read(_MAX_LINE) and time.monotonic() < end_s:
                pass
        except _TROUBLE as error:
            raise self._down(error) from error

    def _held(self) -> serial.Serial:
        if self._port is None:
            raise SupplyError(
                f"The bench supply on {self.path} is not connected. Plug it in and reconnect."
            )
        return self._port

    def _down(self, error: Exception) -> SupplyError:
        self.close()
        return SupplyError(
            f"The connection to the bench supply on {self.path} was lost: {error}. Its output may "
            "still be on: look at the supply, see to its cable, then reconnect."
        )
