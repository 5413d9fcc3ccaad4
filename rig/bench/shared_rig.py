"""One rig with several stations at work: what they share, and each one's place on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from drivers import Backend, Clock, Hands, I2CBus, RigWiring, StationWiring
from rig.bench.aside import Aside, in_time
from rig.bench.errors import RefusedError
from rig.bench.held_bus import HeldBuses
from rig.bench.hub import Hub
from rig.bench.loop import ControlLoop
from rig.bench.power import Power
from rig.bench.rig_pins import RigPins
from rig.bench.rounds import Rounds, Share
from rig.bench.shared_supply import SharedSupply
from rig.bench.station import Station
from rig.bench.turns import Turns
from rig.bench.wishes import did

Result = TypeVar("Result")


class SharedRig:
    """The rig of ``wiring`` on ``backend``; its pins are claimed, every feed off, until `close`.

    ``stations`` are those that may be at work at once, each in its own part of the period.
    ``real_time`` tells that the time a computation takes passes for the other stations too.
    """

    def __init__(
        self,
        backend: Backend,
        wiring: RigWiring,
        hub: Hub,
        stations: tuple[str, ...],
        *,
        real_time: bool,
    ) -> None:
        self.backend = backend
        self.hub = hub
        self.stations = stations
        self.real_time = real_time
        self.pins = RigPins(backend, wiring)
        dead_man = self.pins.dead_man
        self.rounds = None if dead_man is None else Rounds(dead_man)
        self.turns = Turns()
        self.held = HeldBuses()
        self.supply = SharedSupply()
        self.broken = ""  # why no station may feed any more

    def berth(self, station: str) -> Berth:
        """Return the place of a station, for one job after the other."""
        return Berth(self, station)

    def backend_of(self, station: str) -> StationBackend:
        """Return the backend as a job on ``station`` sees it."""
        return StationBackend(self.backend, self.hub, station)

    def fit_unit(self, station: str, serial: str) -> None:
        """On a simulated jig have the unit ``serial`` put on a station; a real one has its own."""
        hands = self.backend.hands
        if hands is not None:
            did(hands, "fit_unit", {"station": station, "serial": serial})

    def close(self) -> None:
        """Take every feed off and give the pins back; the backend stays open.  Idempotent."""
        self.pins.close()


@dataclass
class Berth:
    """One station's place on a shared rig (`rig.bench.premises.Premises`)."""

    rig: SharedRig
    name: str

    @property
    def words(self) -> str:
        """Which other stations may be at work meanwhile."""
        others = [name for name in self.rig.stations if name != self.name]
        return f"Other stations may have been at work meanwhile: {', '.join(others)}"

    def station(self, backend: Backend, wiring: RigWiring, wired: StationWiring) -> Station:
        """Open the job's station; no other station's pins are touched."""
        pins = self.rig.pins
        feeds, stop = pins.feeds[self.name], pins.emergency_stop
        share = Share(self.rig.rounds, self.name, feeds, stop, self.rig.held)
        return Station(backend, wiring, wired, share)

    def power(self, backend: Backend, wiring: RigWiring) -> Power:
        """Return this station's hold on the supply."""
        if wiring.supply is None:
            return Power.open(backend, None)
        return self.rig.supply.power(backend, wiring.supply, self.name)

    def in_phase(self, period_s: float) -> Callable[[float], float]:
        """Return what gives this station's place within the period."""
        stations = self.rig.stations
        offset_s = period_s * stations.index(self.name) / len(stations)
        return lambda time_s: (time_s - offset_s) // period_s * period_s + offset_s

    @property
    def may_start(self) -> Callable[[float], bool]:
        """What grants the start of a motor at a time (s)."""
        return partial(self.rig.turns.may_start, self.name)

    def arm(self, loop: ControlLoop) -> str:
        """Have the dead-man proved while nothing is fed, or join those who had it proved."""
        rounds = self.rig.rounds
        if rounds is None:
            return loop.arm()
        loop.wait(lambda: not rounds.proving)
        if rounds.proof:
            loop.join()
            return f"{rounds.proof}; the loop has run on since"
        rounds.proving = self.name
        try:
            found = loop.arm()
            rounds.proof = f"{found} (proved by station {self.name})"
        finally:
            rounds.proving = ""
        return found

    @contextmanager
    def feeding(
        self, loop: ControlLoop, tell: Callable[[str], None], *, sets_supply: bool
    ) -> Iterator[None]:
        """While it lasts the job may feed; with ``sets_supply`` no other station does."""
        turns, power = self.rig.turns, self.rig.supply
        try:
            if not turns.may_feed(self.name, alone=sets_supply):
                tell(turns.waits_for(self.name, alone=sets_supply))
                loop.wait(lambda: turns.may_feed(self.name, alone=sets_supply))
            if self.rig.broken:
                raise RefusedError(
                    f"The supply could not be set back for this station: {self.rig.broken}"
                )
            yield
        finally:
            loop.station.all_off()
            held = power.held_by(self.name)
            if held is not None and held.away:
                try:
                    self.beside(loop, held.restore, cycling=False)
                except BaseException as error:  # whatever it was, the voltage is not theirs
                    # Nobody else feeds now, and nobody will.
                    self.rig.broken = str(error) or type(error).__name__
                    raise
                finally:
                    turns.over(self.name)
            turns.over(self.name)

    def beside(self, loop: ControlLoop, work: Callable[[], Result], *, cycling: bool) -> Result:
        """Return what ``work`` returns, done in a thread in real time; the feeds are off."""
        if not self.rig.real_time:
            return work()
        results: list[Result] = []
        done = in_time(Aside(lambda: results.append(work())).done, self.rig.hub)
        if cycling:
            loop.wait(done)
        else:
            loop.rest(done)
        return results[0]


class StationBackend:
    """A backend as one station's job sees it: its clock lets the others go on.

    Somebody at the simulated jig does things at this station.
    """

    def __init__(self, backend: Backend, hub: Hub, station: str) -> None:
        self._backend = backend
        self.name = backend.name
        self.simulated = backend.simulated
        self.clock: Clock = hub
        self.pin_factory: Any = backend.pin_factory
        hands = backend.hands
        self.hands: Hands | None = None if hands is None else StationHands(hands, station)

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``."""
        return self._backend.i2c(bus)

    def serial_port(self, port: str) -> str:
        """Return the path that pyserial opens for the configured ``port``."""
        return self._backend.serial_port(port)

    def facts(self) -> dict[str, str]:
        """Return what is worth recording of the backend."""
        return self._backend.facts()

    def close(self) -> None:
        """Leave the backend open: it is everybody's."""


class StationHands:
    """Hands at one station of the simulated jig."""

    def __init__(self, hands: Hands, station: str) -> None:
        self._hands = hands
        self._station = station

    def do(self, action: str, detail: Mapping[str, Any]) -> str:
        """Do ``action``; return what was done or seen."""
        return self._hands.do(action, {"station": self._station, **detail})
