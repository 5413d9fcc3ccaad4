"""Telling a key that is pressed again from one that is held down."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.commands import FIRST_LEASE_S


@dataclass(slots=True)
class HeldKeys:
    """The last thing that was done by a key, over all screens and questions.

    A key held down repeats after `FIRST_LEASE_S` at the latest, and would answer one question
    after the other, or do and undo; nobody reads a question and looks at a unit, or wants the
    same again, in less than ``again_after_s`` (s).
    """

    again_after_s: float = FIRST_LEASE_S
    _last: str = ""
    _last_s: float = float("-inf")

    def is_held(self, what: str, now_s: float) -> bool:
        """Take note of ``what`` at ``now_s`` (s); tell whether it is the last one, held down."""
        held = self.would_be_held(what, now_s)
        self.saw(what, now_s)
        return held

    def would_be_held(self, what: str, now_s: float) -> bool:
        """Tell whether ``what`` at ``now_s`` (s) is the last one, held down."""
        return what == self._last and now_s - self._last_s < self.again_after_s

    def saw(self, what: str, now_s: float) -> None:
        """Take note of ``what`` at ``now_s`` (s)."""
        self._last, self._last_s = what, now_s
