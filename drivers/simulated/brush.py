"""An intermittent brush or joint: it opens for some milliseconds now and then while turning."""

from __future__ import annotations

import random
from collections.abc import Callable

from .agenda import Agenda

_OPEN_S = (0.002, 0.012)  # how long it stays open (guess)


class Brush:
    """``open`` while it does not conduct; ``turning`` tells whether it is being shaken."""

    def __init__(
        self,
        agenda: Agenda,
        rng: random.Random,
        changed: Callable[[float], None],
        turning: Callable[[], bool],
    ) -> None:
        self._agenda = agenda
        self._rng = rng
        self._changed = changed
        self._turning = turning
        self._waiting = False
        self.rate_per_s = 0.0
        self.open = False

    def watch(self, time_s: float) -> None:
        """Arrange for the next opening, if there is to be one and none is arranged yet."""
        if self.rate_per_s > 0.0 and not self._waiting and self._turning():
            self._waiting = True
            self._agenda.at(time_s + self._rng.expovariate(self.rate_per_s), self._part)

    def _part(self, time_s: float) -> None:
        if self.rate_per_s > 0.0 and self._turning():
            self.open = True
            self._agenda.at(time_s + self._rng.uniform(*_OPEN_S), self._meet)
            self._changed(time_s)
        else:
            self._waiting = False

    def _meet(self, time_s: float) -> None:
        self.open = self._waiting = False
        self._changed(time_s)
