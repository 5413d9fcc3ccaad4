"""Which feeds whoever works by hand holds made, and until when."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.commands import LEASE_MAX_S, Hold
from rig.bench.requests import OFF, Feeds

# A held key that says nothing for so long (s) was let go: a line hangs for less, and the slowest
# first repeat comes at 0.66 s.
LET_GO_S = 1.0


@dataclass(slots=True)
class Holding:
    """The lease on the feeds.

    It runs out by itself: a key let go, a lost focus or a line that hangs all end in silence.
    What was barred stays off until it was let go for certain: told so, or nothing was heard for
    `LET_GO_S`.  A lease that ran out does not tell, for a key that is still down may only have come
    late.  Times in s on the bench clock.
    """

    _feeds: Feeds = OFF
    _until_s: float = float("-inf")
    _heard_s: float = float("-inf")
    barred: bool = False

    def take(self, hold: Hold, now_s: float) -> None:
        """Take a command that came at ``now_s``; its lease is cut to `LEASE_MAX_S`."""
        feeds = Feeds(bool(hold.battery), bool(hold.ignition))
        if feeds == OFF:
            self.let_go()
            return
        self.feeds_at(now_s)  # what ran out before this command is let go first
        self._heard_s = now_s
        if not hold.lease_s > 0.0:  # too old to hold anything, yet no word of a key let go
            self._feeds, self._until_s = OFF, float("-inf")
            return
        self._feeds, self._until_s = feeds, now_s + min(hold.lease_s, LEASE_MAX_S)

    def let_go(self) -> None:
        """Nothing is held any more, and what was barred may be held anew."""
        self._feeds, self._until_s, self.barred = OFF, float("-inf"), False

    def bar(self) -> None:
        """Keep the feeds off until whoever holds has let go."""
        self.barred = True

    def feeds_at(self, now_s: float) -> Feeds:
        """Return the feeds that are to be made at ``now_s``."""
        if now_s >= self._until_s:
            self._feeds, self._until_s = OFF, float("-inf")
        if now_s - self._heard_s >= LET_GO_S:
            self.barred = False
        return OFF if self.barred else self._feeds
