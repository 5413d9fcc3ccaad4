"""The bench in a process of its own, and the client that a console holds.

Spawned, never forked: a forked child that inherits a pin keeps it driven.  Samples cross in a
shared-memory ring, events and commands in a pipe.  The bench never waits for its console: events
leave through a thread, and a console that goes away ends the run unless it was detached.
"""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Callable, Iterator
from multiprocessing import Pipe, resource_tracker
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType
from typing import Protocol

from drivers import DriverError
from drivers.backends import keeps_own_time, load_backend
from rig.bench.commands import Command, Stop
from rig.bench.console_end import ConsoleEnd, PipeLine
from rig.bench.errors import BenchError
from rig.bench.events import BenchEvent, Ready, Refused
from rig.bench.handle import TERMINATED_S
from rig.bench.jobs import carry_out
from rig.bench.keeper import ThreadKeeper
from rig.bench.mailbox import Inbox, Outbox
from rig.bench.order import JOBS, Job, RunOrder
from rig.bench.realtime import Claim, claim, give_back
from rig.bench.ring import SampleRing
from rig.bench.signals import ENDING, SignalFlag, flag_signals
from rig.bench.spawned import has_ended, spawn
from rig.records.errors import RecordsError

_IDLE_LOOK_S = 0.2  # an idle bench looks for signals this often; its job wakes it at once


def be_ready_to_spawn() -> None:
    """Start what the first spawned process would start on the way.

    Under a Textual application that cannot be started any more: the application's standard error
    has no file number.
    """
    resource_tracker.ensure_running()


class BenchClient:
    """A bench process as seen from the console's process (`rig.bench.handle.BenchHandle`).

    Without a ``job`` it is started idle and waits for `begin`.  ``quiet`` keeps what the process
    may print (a crash of the interpreter) off the terminal, which a full-screen console owns.
    Use as a context manager: leaving it ends the job and waits for the process to end.
    """

    outlives = False
    goes_on = False

    def __init__(self, job: Job | None, records: Path, *, quiet: bool = False) -> None:
        self.job: Job | None = None
        self.ring = SampleRing()
        self._pipe, theirs = Pipe()
        self._outbox = Outbox(self._pipe)
        self._closed = False
        try:
            self._process = spawn(bench_main, records, self.ring.name, theirs, quiet)
        except BaseException:
            self.ring.close()
            raise
        theirs.close()
        # Not before: as long as we hold their end, its end cannot be seen.
        self._inbox = Inbox(self._pipe)
        if job is not None:
            self.begin(job)

    @property
    def pid(self) -> int | None:
        """The bench's process number."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Tell whether the bench process is still there, or things it said are on their way.

        After `close` nobody asks for what it said.
        """
        return self._process.is_alive() or not (self._closed or self._inbox.ended)

    def events(self, wait_s: float = 0.0) -> Iterator[BenchEvent]:
        """Yield the events that came, waiting up to ``wait_s`` seconds for the first."""
        while (event := self._inbox.take(wait_s)) is not None:
            wait_s = 0.0
            yield event

    def begin(self, job: Job) -> None:
        """Hand the process its job; it ends with it."""
        self.job = job
        self._outbox.put(job)

    def tell(self, command: Command) -> None:
        """Send a command; never blocks.

        After a `Stop` that the bench takes, the feeds are off within two hundredths of a second.
        """
        self._outbox.put(command)

    @property
    def has_news(self) -> bool:
        """Tell whether `events` would yield something at once, or the process has gone."""
        return self._inbox.waiting or not self._process.is_alive()

    def close(self, wait_s: float = 10.0) -> bool:
        """Stop the job if it is still on, wait for the process, free the ring.  Idempotent.

        False if the process hung and had to be killed: what its feeds are is not known then.
        """
        if self._closed:
            return True
        self._closed = True
        self.tell(Stop("the console was closed"))
        ended = has_ended(self._process, wait_s)
        self._outbox.close(TERMINATED_S)
        self._inbox.close(TERMINATED_S)
        self._pipe.close()
        self.ring.close()
        return ended

    def __enter__(self) -> BenchClient:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def bench_main(records: Path, ring_name: str, pipe: Connection, quiet: bool) -> None:
    """Do one job in this process; everything that happens is told through ``pipe``."""
    os.setsid()  # what happens to the console's terminal is told by the pipe, not by signals
    if quiet:
        hush()
    ring = SampleRing(ring_name)
    with flag_signals() as flag:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
        line = PipeLine(pipe)
        try:
            job = wait_for_job(line, flag)
            if job is not None:
                detached = isinstance(job, RunOrder) and job.detached
                attempt(job, records, ConsoleEnd(line, ring, flag, detached=detached))
        finally:
            line.close()
            ring.close()


def wait_for_job(line: PipeLine, flag: SignalFlag) -> Job | None:
    """Return the job; None if there will be none: told to stop, a signal, a console gone."""
    line.send(Ready())
    while flag.number is None and not line.gone:
        said = line.take(_IDLE_LOOK_S)
        if isinstance(said, Stop):
            return None
        if isinstance(said, JOBS):
            return said
    return None


class Shown(Protocol):
    """Whoever is told what keeps a job from being done."""

    def show(self, event: BenchEvent) -> None:
        """Take note of an event."""
        ...


def attempt(job: Job, records: Path, console: ConsoleEnd) -> bool:
    """Do ``job`` and tell what keeps it from being done; False if the program itself failed."""
    return tell_failure(lambda: do_job(job, records, console), console)


def tell_failure(work: Callable[[], None], console: Shown) -> bool:
    """Do ``work`` and tell what keeps it from being done; False if the program itself failed."""
    try:
        work()
    except RecordsError as error:
        console.show(Refused(str(error), status=6))
    except (BenchError, DriverError) as error:
        console.show(Refused(str(error)))
    except MemoryError:
        console.show(
            Refused(
                "The computer ran out of memory, so the bench ended; its feeds are off. Close "
                "other programs or restart the computer, then start again. Every finished step is "
                "in the record."
            )
        )
        return False
    except Exception as error:
        console.show(
            Refused(
                f"The bench program failed ({error!r}); its feeds are off. Please report this "
                "with the plan and the rig file.",
                status=70,
            )
        )
        return False
    return True


def hush() -> None:
    """Let whatever this process may print go nowhere."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in range(3):
        os.dup2(nowhere, number)
    os.close(nowhere)


def do_job(job: Job, records: Path, console: ConsoleEnd) -> None:
    """Open the backend and the record and do one job in real time."""
    backend = load_backend(job.backend_name, job.wiring(), job.options)
    try:
        with ThreadKeeper(records) as keeper:
            # What was loaded so far stays; collecting it again and again would cost milliseconds.
            gc.collect()
            gc.freeze()
            try:
                carry_out(job, backend, keeper, console, claim_for(job))
            finally:
                give_back()
    finally:
        backend.close()


def claim_for(job: Job) -> Claim | None:
    """Ask for what the rig file wants for this thread, which is the control loop's from now on."""
    if keeps_own_time(job.backend_name, job.options):
        return None
    wanted = job.settings.control
    return claim(
        real_time=wanted.real_time, priority=wanted.priority, lock_memory=wanted.lock_memory
    )
