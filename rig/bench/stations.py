"""Several stations at work in one bench process, and the handles that a console holds.

One process, one thread that owns all hardware; each station's job is the same straight-line code
as anywhere, in a task of its own (`rig.bench.hub`).  Each station has a pipe and a ring of its own,
so that to a console each looks like a bench (`rig.bench.handle.BenchHandle`).  A console process
that goes away ends all jobs, feeds off: such a bench is never detached.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType

from drivers import BackendOptions
from rig.bench.commands import Command, Stop
from rig.bench.events import BenchEvent, Ready
from rig.bench.handle import TERMINATED_S
from rig.bench.mailbox import Inbox, Outbox
from rig.bench.order import Job
from rig.bench.ring import SampleRing
from rig.bench.spawned import has_ended, spawn
from rig.settings import RigSettings


@dataclass(frozen=True, slots=True)
class Leave:
    """No more jobs are to come: the process ends when those that are on have."""


@dataclass(frozen=True, slots=True)
class StationEnd:
    """A station's end of what the bench process is given: its name, ring and pipe."""

    name: str
    ring: str
    pipe: Connection


@dataclass(frozen=True)
class StationsOrder:
    """What a bench with several stations is started for.  Picklable.

    ``stations`` may be at work at once.  ``backend`` overrides the rig file's.  ``options`` hold
    for all jobs, in place of their own: they work in one world.
    """

    settings: RigSettings
    stations: tuple[str, ...]
    backend: str | None = None
    options: BackendOptions = field(default_factory=BackendOptions)

    @property
    def backend_name(self) -> str:
        """The backend that will be used."""
        return self.backend or self.settings.backend


class _Line:
    """A station's pipe as the console's process has it, and whether its job is over."""

    def __init__(self, pipe: Connection) -> None:
        self.pipe = pipe
        self.inbox = Inbox(pipe)
        self.outbox = Outbox(pipe)
        self.ring = SampleRing()


class StationHandle:
    """One station for one job (`rig.bench.handle.BenchHandle`).

    It is over when the job is; `StationsBench.station` then has a new one for the next job.
    """

    outlives = False
    goes_on = False

    def __init__(self, bench: StationsBench, name: str, line: _Line, *, ready: bool) -> None:
        self.name = name
        self.job: Job | None = None
        self._bench = bench
        self._line = line
        self._said_ready = False  # that it waits for its job
        self._known_ready = ready  # the handle before this one heard it
        self._over = False
        self._closed = False

    @property
    def ring(self) -> SampleRing:
        """The station's live samples."""
        return self._line.ring

    @property
    def pid(self) -> int | None:
        """The bench's process number."""
        return self._bench.pid

    @property
    def over(self) -> bool:
        """Tell whether its job has ended and everything it said was taken."""
        return self._over

    @property
    def spent(self) -> bool:
        """Tell whether it is of no more use: its job is over, or it was closed without one."""
        return self._over or self._closed

    @property
    def heard_ready(self) -> bool:
        """Tell whether the station has said by now that it waits for a job."""
        return self._over or self._said_ready or self._known_ready

    @property
    def alive(self) -> bool:
        """Tell whether the station waits for its job or does it, or things it said are due."""
        return not (self._closed or self._over or self._line.inbox.gone)

    @property
    def has_news(self) -> bool:
        """Tell whether `events` would yield something at once, or nothing more will come."""
        return self._known_ready or self._line.inbox.waiting or not self.alive

    def begin(self, job: Job) -> None:
        """Hand the station its job."""
        self.job = job
        self._line.outbox.put(job)

    def tell(self, command: Command) -> None:
        """Send a command; never blocks.  One to a station whose job is over is lost."""
        if not self._over:
            self._line.outbox.put(command)

    def events(self, wait_s: float = 0.0) -> Iterator[BenchEvent]:
        """Yield the events that came, waiting up to ``wait_s`` seconds for the first."""
        if self._known_ready:
            self._known_ready, self._said_ready = False, True
            wait_s = 0.0
            yield Ready()
        while not self._over and (event := self._line.inbox.take(wait_s)) is not None:
            wait_s = 0.0
            if isinstance(event, Ready):
                if self._said_ready:
                    self._over = True
                    return
                self._said_ready = True
            yield event

    def close(self, wait_s: float = 10.0) -> bool:
        """End the station's job and wait until it is over; other stations go on.  Idempotent.

        False if the bench hung and had to be killed, with all its stations: what the feeds are is
        not known then.
        """
        if self._closed:
            return True
        self._closed = True
        if self.job is None or self._over:
            return True
        self.tell(Stop("the console was closed"))
        end_s = time.monotonic() + wait_s
        while not (self._over or self._line.inbox.gone):
            if time.monotonic() > end_s:
                return self._bench.kill()
            for _ in self.events(0.05):
                pass
        return True


class StationsBench:
    """A bench process for several stations of one rig, as the console's process has it.

    ``stations`` None: all of the rig file's.  Use as a context manager: leaving it ends all jobs
    and waits for the process to end.
    """

    def __init__(
        self,
        settings: RigSettings,
        records: Path,
        *,
        stations: Sequence[str] | None = None,
        backend: str | None = None,
        options: BackendOptions | None = None,
        quiet: bool = False,
    ) -> None:
        from rig.bench.stations_process import stations_main

        names = tuple(stations or (station.name for station in settings.stations))
        order = StationsOrder(settings, names, backend, options or BackendOptions())
        self.stations = names
        self._lines: dict[str, _Line] = {}
        self._closed = False
        self._ended = True
        ends, theirs = [], []
        try:
            for name in names:
                ours, other = Pipe()
                theirs.append(other)
                self._lines[name] = _Line(ours)
                ends.append(StationEnd(name, self._lines[name].ring.name, other))
            self._process = spawn(stations_main, records, order, tuple(ends), quiet)
        except BaseException:
            self._let_go()
            raise
        finally:
            for other in theirs:
                other.close()
        self._handles = {
            name: StationHandle(self, name, line, ready=False) for name, line in self._lines.items()
        }

    @property
    def pid(self) -> int | None:
        """The bench's process number."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Tell whether the bench process is there."""
        return not self._closed and self._process.is_alive()

    @property
    def handles(self) -> Mapping[str, StationHandle]:
        """Each station's handle, as `station` returns it."""
        return {name: self.station(name) for name in self.stations}

    def station(self, name: str) -> StationHandle:
        """Return a station's handle; a new one if the last is spent."""
        handle = self._handles[name]
        if handle.spent and self.alive:
            ready = handle.heard_ready
            handle = StationHandle(self, name, self._lines[name], ready=ready)
            self._handles[name] = handle
        return handle

    @property
    def has_news(self) -> bool:
        """Tell whether anything came from any station that was not taken yet."""
        return any(line.inbox.waiting for line in self._lines.values()) or not self.alive

    def wait(self, wait_s: float) -> None:
        """Return when a station has said something, after ``wait_s`` seconds at the latest."""
        end_s = time.monotonic() + wait_s
        while not self.has_news and time.monotonic() < end_s:
            time.sleep(0.005)

    def close(self, wait_s: float = 10.0) -> bool:
        """End all jobs, wait for the process, free the rings.  Idempotent.

        False if the process hung and had to be killed: what the feeds are is not known then.
        """
        if not self._closed:
            for line in self._lines.values():
                line.outbox.put(Stop("the console was closed"))
                line.outbox.put(Leave())
            self._end(wait_s)
        return self._ended

    def kill(self) -> bool:
        """End the process, which hangs; returns False, as `close` then does."""
        if not self._closed:
            self._end(0.0)
        return False

    def _end(self, wait_s: float) -> None:
        self._closed = True
        self._ended = has_ended(self._process, wait_s)
        self._let_go()

    def _let_go(self) -> None:
        for line in self._lines.values():
            line.outbox.close(TERMINATED_S)
            line.inbox.close(TERMINATED_S)
            line.pipe.close()
            line.ring.close()

    def __enter__(self) -> StationsBench:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
