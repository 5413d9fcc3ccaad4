"""Signals that end a run become a flag that the control loop looks at.

Python runs no clean-up on an unhandled SIGTERM or SIGHUP, and Raspberry Pi OS keeps an output
driven after its process died: so each of these must end the run through the loop.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

_WORDS = {
    signal.SIGINT: "an interrupt (Ctrl-C)",
    signal.SIGTERM: "a request to terminate (SIGTERM)",
    signal.SIGHUP: "a lost terminal (SIGHUP)",
    signal.SIGQUIT: "a quit key (SIGQUIT)",
}
ENDING = frozenset(_WORDS)


@dataclass(slots=True)
class SignalFlag:
    """Which signal came first, None while there was none."""

    number: int | None = None

    @property
    def by_operator(self) -> bool:
        """Tell whether somebody at the keyboard asked."""
        return self.number == signal.SIGINT

    @property
    def words(self) -> str:
        """The signal in words."""
        return "" if self.number is None else _WORDS[signal.Signals(self.number)]


@contextmanager
def flag_signals() -> Iterator[SignalFlag]:
    """Catch the `ENDING` signals into a flag while the context lasts (main thread only)."""
    flag = SignalFlag()

    def note(number: int, frame: FrameType | None) -> None:
        if flag.number is None:
            flag.number = number

    before = {number: signal.signal(number, note) for number in _WORDS}
    try:
        yield flag
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
