"""The two times of the simulated bench: its own, and the wall's."""

from __future__ import annotations

import time

from .world import World


class VirtualClock:
    """World time; it goes on only while somebody sleeps or a bus transaction takes its time."""

    def __init__(self, world: World) -> None:
        self._world = world

    def now_s(self) -> float:
        """Return the present time in seconds."""
        return self._world.now_s

    def sleep_until(self, time_s: float) -> None:
        """Let the world go on to ``time_s``, or return at once if it has passed."""
        world = self._world
        if time_s > world.now_s:
            world.now_s = time_s

    def spend(self, duration_s: float) -> None:
        """Let the world go on by ``duration_s``."""
        self._world.now_s += duration_s


class RealClock:
    """Time since the bench was made, as it passes; the world follows whenever it is looked at."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._origin_s = time.monotonic()
        world.catch_up = self._catch_up

    def now_s(self) -> float:
        """Return the present time in seconds."""
        self._catch_up()
        return self._world.now_s

    def _catch_up(self) -> None:
        now_s = time.monotonic() - self._origin_s
        if now_s > self._world.now_s:
            self._world.now_s = now_s

    def sleep_until(self, time_s: float) -> None:
        """Return at ``time_s`` or at once if it has passed."""
        while (left_s := self._origin_s + time_s - time.monotonic()) > 0.0:
            time.sleep(left_s)
        self._catch_up()

    def spend(self, duration_s: float) -> None:
        """Wait as long as a bus transaction takes, if it is long enough to be waited for."""
        if duration_s >= 0.001:
            time.sleep(duration_s)
