"""What truly happened to the relays' contacts, for whoever checks that the feeds went off."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from ..world import World
from .messages import MASTER

KEPT = 50_000  # entries; a half-turn makes about ten


class Entry(NamedTuple):
    """``what`` changed at ``at_s`` (CLOCK_MONOTONIC, s).

    ``what`` is a contact ("master", "A battery", "A ignition"), a feed at the unit ("A live":
    battery or ignition can flow), or "controller" (somebody has the pins).
    """

    at_s: float
    what: str
    on: bool


class ContactRecord:
    """Entries in time order, numbered from 0; the oldest go when there are too many."""

    def __init__(self, world: World, origin_s: float) -> None:
        self._world = world
        self._origin_s = origin_s
        self._entries: deque[Entry] = deque(maxlen=KEPT)
        self._made = 0
        self._now: dict[str, bool] = {"controller": False}
        self._look(world.now_s)
        world.watchers.append(self._look)

    def add(self, at_s: float, what: str, on: bool) -> None:
        """Add an entry of something that is no contact."""
        self._now[what] = on
        self._entries.append(Entry(at_s, what, on))
        self._made += 1

    def _look(self, time_s: float) -> None:
        world, now = self._world, self._now
        seen = {MASTER: world.master.closed}
        for name, station in world.stations.items():
            seen[f"{name} battery"] = station.battery_relay.closed
            seen[f"{name} ignition"] = station.ignition_relay.closed
            seen[f"{name} live"] = station.connected or station.ignition_connected
        for what, on in seen.items():
            if now.setdefault(what, False) is not on:
                self.add(self._origin_s + time_s, what, on)

    def now(self) -> dict[str, bool]:
        """Return how everything stands."""
        return dict(self._now)

    def since(self, number: int, most: int = 500) -> tuple[int, list[Entry]]:
        """Return up to ``most`` entries from ``number`` on, and the number to go on from."""
        first = self._made - len(self._entries)
        skip = max(number - first, 0)
        found = [self._entries[k] for k in range(skip, min(skip + most, len(self._entries)))]
        return first + skip + len(found), found
