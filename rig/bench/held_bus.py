"""An I2C bus that is held keeps every station waiting: one finds out, the others are told."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, nan

from drivers import LOST, Reading
from drivers.current import CurrentSensor

# The kernel gives a held bus up after 10 ms at the earliest.  A transaction takes 0.3 ms at most,
# but the computer may be held up in one for 5 ms.
HELD_S = 0.008


class HeldBuses:
    """When which bus was last found held (s), by whichever station."""

    def __init__(self) -> None:
        self._found_s: dict[int, float] = {}

    def reader(self, sensor: CurrentSensor, now_s: Callable[[], float]) -> Callable[[], Reading]:
        """Return what reads ``sensor``, but for samples that a held bus is known to have spoilt.

        A station whose turn was delayed by another's wait has no fresh sample any more: it gets to
        know at once that it has none, instead of waiting in its turn with its feed made.
        """
        bus, found_s = sensor.wiring.bus, self._found_s
        tried_s = -inf

        def read() -> Reading:
            nonlocal tried_s
            before_s = now_s()
            if found_s.get(bus, -inf) > tried_s:
                tried_s = before_s
                return Reading(before_s, nan, nan, LOST)
            reading = sensor.read()
            tried_s = now_s()
            if reading.flags & LOST and tried_s - before_s > HELD_S:
                found_s[bus] = tried_s
            return reading

        return read
