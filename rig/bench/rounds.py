"""One dead-man for all stations at work: an edge once each of them has been round.

The rule: a station counts for a round when its loop has completed a checked cycle.  Where a cycle
was not good (its sensor does not answer), or where no cycles are made (a job that waits for the
disk at its end), it counts if its feeds read back off, so that one lost sensor takes the feeds of
its own station only.  A station that does neither, since its loop no longer comes round or a feed
of it does not read back off, stops the edges: the timer then drops the master relay, and with it
every feed of the rig.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from drivers import DriverError
from drivers.feeds import DeadMan, FeedPair
from drivers.switches import Switch
from rig.bench.held_bus import HeldBuses
from rig.bench.station import Edges


@dataclass
class Rounds:
    """Who is at work, and who has been round since the last edge.

    ``proof`` is what was found when the drop-out was proved, kept for as long as somebody has been
    at work ever since; ``proving`` names the station that is at it.
    """

    dead_man: DeadMan
    proof: str = ""
    proving: str = ""
    _been_round: dict[str, bool] = field(default_factory=dict)

    @property
    def at_work(self) -> tuple[str, ...]:
        """The stations that are waited for in each round."""
        return tuple(self._been_round)

    def round(self, name: str) -> None:
        """Take note that a station has been round; it is waited for from now on."""
        been = self._been_round
        been[name] = True
        if all(been.values()):
            self.dead_man.toggle()
            for each in been:
                been[each] = False

    def leave(self, name: str) -> None:
        """Wait for a station no longer: its feeds read back off."""
        self._been_round.pop(name, None)
        if not self._been_round:
            self.proof = ""


class Turn:
    """One station's part in the rounds (`rig.bench.station.Edges`)."""

    def __init__(self, rounds: Rounds, name: str, feeds: FeedPair) -> None:
        self._rounds = rounds
        self._name = name
        self._feeds = feeds
        self._dead_man = rounds.dead_man

    def toggle(self) -> None:
        """Tell of a completed and checked cycle."""
        self._rounds.round(self._name)

    def stand_by(self) -> None:
        """Tell that no cycle was good; counts if this station's feeds read back off."""
        if reads_off(self._feeds):
            self._rounds.round(self._name)

    @property
    def picked_up(self) -> bool | None:
        """Whether the master relay has picked up; None if its contact is not wired."""
        return self._dead_man.picked_up


class Share:
    """A station's share of a rig on which others are at work (`rig.bench.station.RigShare`)."""

    def __init__(
        self,
        rounds: Rounds | None,
        name: str,
        feeds: FeedPair,
        emergency_stop: Switch | None,
        held: HeldBuses,
    ) -> None:
        self._rounds = rounds
        self._name = name
        self.feeds = feeds
        self.dead_man: Edges | None = None if rounds is None else Turn(rounds, name, feeds)
        self.emergency_stop = emergency_stop
        self.reader = held.reader

    def close(self) -> None:
        """Take the station's feeds off; if one does not read back off, all lose theirs."""
        if self.feeds.all_off() and self._rounds is not None:
            self._rounds.leave(self._name)


def reads_off(feeds: FeedPair) -> bool:
    """Tell whether both feeds read back released; one that cannot be read does not."""
    try:
        return not (feeds.battery.is_made or feeds.ignition.is_made)
    except DriverError:
        return False
