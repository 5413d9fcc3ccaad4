"""A bench as whoever commands it sees it: the process itself, or a stand-in for it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from rig.bench.commands import Command
from rig.bench.events import BenchEvent
from rig.bench.order import Job
from rig.bench.ring import SampleRing

TERMINATED_S = 3.0  # a bench that was told to terminate and has not by then hangs


class BenchHandle(Protocol):
    """One bench for one job.

    It is started idle, says `Ready` when it is up, takes one job by `begin`, and ends with it.  Or
    it was at work when we came, and tells what happened in its job so far.
    Nothing here blocks but `close`.
    """

    @property
    def ring(self) -> SampleRing:
        """The live samples."""
        ...

    @property
    def alive(self) -> bool:
        """Tell whether the bench is still there."""
        ...

    @property
    def pid(self) -> int | None:
        """Its process number, None if it has none of its own."""
        ...

    @property
    def job(self) -> Job | None:
        """The job it was doing when we came, or was given since; None if it is idle."""
        ...

    @property
    def outlives(self) -> bool:
        """Tell whether it can go on with a job when we leave, and be come back to."""
        ...

    @property
    def goes_on(self) -> bool:
        """Tell whether its job goes on when we leave now."""
        ...

    def begin(self, job: Job) -> None:
        """Hand it its job; allowed once, also before `Ready`."""
        ...

    def tell(self, command: Command) -> None:
        """Send a command; one to a bench that has gone is lost."""
        ...

    def events(self, wait_s: float = 0.0) -> Iterator[BenchEvent]:
        """Yield the events that came, waiting up to ``wait_s`` seconds for the first."""
        ...

    def close(self, wait_s: float = 10.0) -> bool:
        """End the job, unless it goes on when we leave, and wait for the bench to go.  Idempotent.

        False if it hung and had to be killed: what its feeds are is not known then.
        """
        ...
