"""Telling a key that is pressed again from one that is held down."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.commands import FIRST_LEASE_S


@dataclass(slots=True)
class AnswerKeys:
    """The last answer that was given by a key, over all questions.

    A key held down repeats after `FIRST_LEASE_S` at the latest, and would answer one question
    after the other; nobody reads a question and looks at a unit in less than ``again_after_s`` (s).
    """

    again_after_s: float = FIRST_LEASE_S
    _last: str = ""
    _last_s: float = float("-inf")

    def is_held(self, answer: str, now_s: float) -> bool:
        """Take note of ``answer`` at ``now_s`` (s); tell whether it is the last one, held down."""
        held = answer == self._last and now_s - self._last_s < self.again_after_s
        self._last, self._last_s = answer, now_s
        return held
