"""A feed held by a key or a mouse button: how long each sign of life keeps it made.

A terminal does not tell when a key is let go, but a held key repeats.  So each key event asks for
the feeds for a short while only, and without the next one the bench lets them go by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.commands import FIRST_LEASE_S, LEASE_S, Hold
from rig.bench.requests import BOTH, OFF, Feeds

# The same key again within this time is a repeat (s): the slowest first repeat comes at 0.66 s.
REPEAT_WITHIN_S = 1.0
# A mouse button that was never seen to be let go holds no longer than this (s, guess).
MOUSE_LONGEST_S = 20.0

BATTERY = Feeds(battery=True, ignition=False)
IGNITION = Feeds(battery=False, ignition=True)

__all__ = ["BATTERY", "BOTH", "IGNITION", "OFF", "Feeds", "HeldFeeds"]


@dataclass(slots=True)
class HeldFeeds:
    """Which feeds are held, by the events seen so far; methods return what to tell the bench.

    Times are of one monotonic clock, s: ``at_s`` when an event happened, ``now_s`` when it is
    dealt with.  Nothing is ever asked for later than the last event and its lease.
    """

    _feeds: Feeds = OFF
    _until_s: float = float("-inf")
    _last_key_s: float = float("-inf")
    _mouse_since_s: float | None = None

    def asked(self, now_s: float) -> Feeds:
        """Return the feeds asked for at ``now_s``."""
        return self._feeds if now_s < self._until_s else OFF

    @property
    def holds(self) -> bool:
        """Tell whether feeds were asked for and not let go since, though their lease be over."""
        return self._feeds != OFF

    def key(self, feeds: Feeds, at_s: float, now_s: float) -> Hold | None:
        """Take a key event for ``feeds``; None if it is too old to ask for anything.

        Another key than before takes over without a gap.
        """
        repeats = feeds == self._feeds and 0.0 <= at_s - self._last_key_s <= REPEAT_WITHIN_S
        self._mouse_since_s = None
        self._last_key_s = at_s
        return self._hold(feeds, LEASE_S if repeats else FIRST_LEASE_S, at_s, now_s)

    def mouse_down(self, feeds: Feeds, at_s: float, now_s: float) -> Hold | None:
        """Take a press of a mouse button on ``feeds``; `renew` keeps it."""
        hold = self._hold(feeds, LEASE_S, at_s, now_s)
        self._mouse_since_s = None if hold is None else at_s
        self._last_key_s = float("-inf")
        return hold

    def renew(self, now_s: float) -> Hold | None:
        """Keep what the mouse holds; to be called often while it may.  None: it holds nothing."""
        since_s = self._mouse_since_s
        if since_s is None:
            return None
        if now_s >= self._until_s or now_s - since_s > MOUSE_LONGEST_S:
            return self.let_go()  # nobody looked for too long: start from off
        return self._hold(self._feeds, LEASE_S, now_s, now_s)

    def let_go(self) -> Hold:
        """Hold nothing any more."""
        self._feeds, self._until_s = OFF, float("-inf")
        self._last_key_s, self._mouse_since_s = float("-inf"), None
        return Hold(battery=False, ignition=False)

    def _hold(self, feeds: Feeds, lease_s: float, at_s: float, now_s: float) -> Hold | None:
        left_s = lease_s - max(0.0, now_s - at_s)
        if left_s <= 0.0:  # the event lay in a queue: who knows what is held now
            return None
        self._feeds, self._until_s = feeds, now_s + left_s
        return Hold(feeds.battery, feeds.ignition, left_s)
