"""Several straight-line jobs in one thread, side by side: whoever sleeps lets the others go on.

Each job runs in a greenlet of its own.  What it calls to sleep switches here; the hub lets the
task with the earliest deadline go on, once its time has come.  A task is left nowhere else, so
that whatever it does between two sleeps (a transaction on the bus, a write to a pin) is done by it
alone.  In virtual time the order of everything follows from the deadlines, the same every time.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count
from typing import TypeVar

from greenlet import getcurrent, greenlet

from drivers import Clock

LOOK_EVERY_S = 0.001
"""What is waited for without a cycle of the loop (a disk, a thread) is looked at so often, s."""

Result = TypeVar("Result")


class Hub:
    """A clock (`drivers.Clock`) on which tasks take turns.

    ``clock`` is the world's, real or virtual; outside the tasks sleeping is plain sleeping.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.now_s = clock.now_s
        self._home = getcurrent()
        self._numbers = count()  # tasks with one deadline go on in the order they came
        self._due: list[tuple[float, int, greenlet]] = []
        self._failure: BaseException | None = None

    def sleep_until(self, time_s: float) -> None:
        """Let others go on until ``time_s`` (s); at least once, also if it has passed."""
        task = getcurrent()
        if task is self._home:
            self._clock.sleep_until(time_s)
            return
        heapq.heappush(self._due, (time_s, next(self._numbers), task))
        self._home.switch()

    def wait(self, done: Callable[[], bool]) -> None:
        """Return when ``done()``; the others go on meanwhile."""
        while not done():
            self.sleep_until(self.now_s() + LOOK_EVERY_S)

    def begin(self, work: Callable[[], None]) -> None:
        """Have ``work`` done as a task from the next `run` on, or at once while one is on."""
        task = greenlet(lambda: self._carry_out(work), parent=self._home)
        heapq.heappush(self._due, (self.now_s(), next(self._numbers), task))

    def _carry_out(self, work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as error:  # the others come to their own end first
            self._failure = self._failure or error

    def run(self) -> None:
        """Go on until every task is done; then raise what the first that failed raised."""
        while self._due:
            time_s, _, task = heapq.heappop(self._due)
            self._clock.sleep_until(time_s)
            task.switch()
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure
