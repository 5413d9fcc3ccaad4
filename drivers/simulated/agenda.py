"""What is to happen at which instant of world time."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from math import inf

Action = Callable[[float], None]


class Entry:
    """One appointment; give it to ``Agenda.cancel`` to call it off."""

    __slots__ = ("action", "time_s")

    def __init__(self, time_s: float, action: Action) -> None:
        self.time_s = time_s
        self.action: Action | None = action


class Agenda:
    """Appointments in time order, those of the same instant in the order they were made."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Entry]] = []
        self._made = 0

    def at(self, time_s: float, action: Action) -> Entry:
        """Arrange for ``action(time_s)``."""
        entry = Entry(time_s, action)
        self._made += 1
        heappush(self._heap, (time_s, self._made, entry))
        return entry

    @staticmethod
    def cancel(entry: Entry | None) -> None:
        """Call an appointment off; None and past ones are ignored."""
        if entry is not None:
            entry.action = None

    def next_s(self) -> float:
        """Return the time of the next appointment, infinity if there is none."""
        heap = self._heap
        while heap:
            if heap[0][2].action is not None:
                return heap[0][0]
            heappop(heap)
        return inf

    def run_due(self, time_s: float) -> None:
        """Do everything arranged for ``time_s`` or before, also what that arranges."""
        while self.next_s() <= time_s:
            at_s, _, entry = heappop(self._heap)
            action, entry.action = entry.action, None
            if action is not None:
                action(at_s)
