"""What a fed job works in: a rig to itself, or a place on one where other stations are at work."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol, TypeVar

from drivers import Backend, RigWiring, StationWiring
from rig.bench.loop import ControlLoop
from rig.bench.power import Power
from rig.bench.station import Station

Result = TypeVar("Result")


class Premises(Protocol):
    """Opens what a job feeds with, and has it wait for others where the rig is shared."""

    @property
    def words(self) -> str:
        """What the record says of sharing the rig; empty if it is not shared."""
        ...

    def station(self, backend: Backend, wiring: RigWiring, wired: StationWiring) -> Station:
        """Open the job's station, feeds off."""
        ...

    def power(self, backend: Backend, wiring: RigWiring) -> Power:
        """Open the supply; a context manager that takes its output off, unless others need it."""
        ...

    def in_phase(self, period_s: float) -> Callable[[float], float]:
        """Return what gives the latest deadline of this station's not after a time (s)."""
        ...

    @property
    def may_start(self) -> Callable[[float], bool] | None:
        """What grants the start of a motor at a time (s); None: at any time."""
        ...

    def arm(self, loop: ControlLoop) -> str:
        """Have the dead-man proved; return what was found.  RefusedError if it fails."""
        ...

    def feeding(
        self, loop: ControlLoop, tell: Callable[[str], None], *, sets_supply: bool
    ) -> AbstractContextManager[None]:
        """While it lasts the job may feed; with ``sets_supply`` no other station does.

        It is waited for with the feeds off, the loop cycling; ``tell`` hears what for.
        """
        ...

    def beside(self, loop: ControlLoop, work: Callable[[], Result], *, cycling: bool) -> Result:
        """Return what ``work`` returns, the feeds off; it touches no pin and no sensor.

        Where others are at work in real time they go on meanwhile, and so does this loop if
        ``cycling``.
        """
        ...


class Alone:
    """One job has the rig to itself."""

    words = ""
    may_start: Callable[[float], bool] | None = None

    def station(self, backend: Backend, wiring: RigWiring, wired: StationWiring) -> Station:
        """Open the job's station, feeds off; those of other stations are held off too."""
        return Station(backend, wiring, wired)

    def power(self, backend: Backend, wiring: RigWiring) -> Power:
        """Open the supply."""
        return Power.open(backend, wiring.supply)

    def in_phase(self, period_s: float) -> Callable[[float], float]:
        """Return a rhythm that may begin at any time."""
        return lambda time_s: time_s

    def arm(self, loop: ControlLoop) -> str:
        """Have the dead-man proved."""
        return loop.arm()

    @contextmanager
    def feeding(
        self, loop: ControlLoop, tell: Callable[[str], None], *, sets_supply: bool
    ) -> Iterator[None]:
        """Let the job feed."""
        yield

    def beside(self, loop: ControlLoop, work: Callable[[], Result], *, cycling: bool) -> Result:
        """Return what ``work`` returns; nobody else is held up by it."""
        return work()
