"""Drawing on a terminal that may be lost: what can no longer be shown must not hold anything up."""

from __future__ import annotations

from contextlib import suppress
from typing import Any, TextIO

from textual.drivers.linux_driver import LinuxDriver


class PatientFile:
    """Writes as ``file`` does; what a lost terminal does not take is dropped."""

    def __init__(self, file: TextIO) -> None:
        self._file = file

    def write(self, text: str) -> int:
        """Write what can be written."""
        with suppress(OSError):
            return self._file.write(text)
        return 0

    def flush(self) -> None:
        """Hand on what can be handed on."""
        with suppress(OSError):
            self._file.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


class PatientDriver(LinuxDriver):
    """Textual's driver, but for this: its writing thread does not end when the terminal is lost.

    The queue to a thread that has ended fills up after 30 frames, and the console would stand still
    for good: deaf to the signal that is to end it, its job still on.
    """

    def __init__(self, *known: Any, **named: Any) -> None:
        super().__init__(*known, **named)
        self._file: Any = PatientFile(self._file)
