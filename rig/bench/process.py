"""The bench in a process of its own, and the client that a console holds.

Spawned, never forked: a forked child that inherits a pin keeps it driven.  Samples cross in a
shared-memory ring, events and commands in a pipe.  The bench never waits for its console: events
leave through a thread, and a console that goes away ends the run unless it was detached.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType

from drivers import DriverError
from drivers.backends import load_backend
from rig.bench.commands import Answer, Command, Hold, Stop
from rig.bench.errors import BenchError, Stopped
from rig.bench.events import Asked, BenchEvent, Ready, Refused
from rig.bench.jobs import carry_out
from rig.bench.keeper import ThreadKeeper
from rig.bench.mailbox import Inbox, Outbox, aged
from rig.bench.order import Job, RigCheckOrder, RunOrder
from rig.bench.requests import Ask, Sample
from rig.bench.ring import SampleRing
from rig.bench.seams import Done
from rig.bench.signals import ENDING, SignalFlag, flag_signals
from rig.records.errors import RecordsError

TERMINATED_S = 3.0  # a bench that was told to terminate and has not by then hangs
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

    def __init__(self, job: Job | None, records: Path, *, quiet: bool = False) -> None:
        context = multiprocessing.get_context("spawn")
        self.ring = SampleRing()
        self._pipe, theirs = context.Pipe()
        self._outbox = Outbox(self._pipe)
        self._closed = False
        self._process = context.Process(
            target=bench_main, args=(records, self.ring.name, theirs, quiet), name="halfturn bench"
        )
        # The child inherits the mask and unblocks when it can answer a signal in its own way.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
        try:
            self._process.start()
        except BaseException:
            self.ring.close()
            raise
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
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
        self._process.join(wait_s)
        ended = not self._process.is_alive()
        if not ended:
            # Nothing tidies up in a process that hangs; left alone it would hold up our own end.
            self._process.terminate()
            self._process.join(TERMINATED_S)
            self._process.kill()
            self._process.join(TERMINATED_S)
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


class PipeConsole:
    """The console's end inside the bench process."""

    def __init__(self, pipe: Connection, ring: SampleRing, flag: SignalFlag) -> None:
        self._pipe = pipe
        self._inbox = Inbox(pipe)
        self._ring = ring
        self._flag = flag
        self._detached = False
        self._answer: str | None = None
        self._stop: Stop | None = None
        self._outbox: SimpleQueue[BenchEvent | None] = SimpleQueue()
        self._sender = threading.Thread(target=self._send_all, name="events", daemon=True)
        self._sender.start()

    def _send_all(self) -> None:
        while (event := self._outbox.get()) is not None:
            try:
                self._pipe.send(event)
            except OSError:
                return

    def wait_for_job(self) -> Job | None:
        """Return the job; None if there will be none: told to stop, a signal, a console gone."""
        self.show(Ready())
        while self._flag.number is None and not self._inbox.gone:
            said = self._inbox.take(_IDLE_LOOK_S)
            if isinstance(said, Stop):
                return None
            if isinstance(said, (RunOrder, RigCheckOrder)):
                self._detached = isinstance(said, RunOrder) and said.detached
                return said
        return None

    def show(self, event: BenchEvent) -> None:
        """Send an event; never blocks."""
        self._outbox.put(event)

    def sample(self, sample: Sample) -> None:
        """Write a sample into the ring; never blocks."""
        self._ring.write(sample)

    def ask(self, ask: Ask, wait: Callable[[Done], None]) -> str:
        """Ask the console and cycle with the feeds off until it answers."""
        while True:
            self._answer = None
            self.show(Asked(ask, ask.seen))
            wait(lambda: self._answer is not None)
            if self._answer is not None and (not ask.allowed or self._answer in ask.allowed):
                return self._answer

    def listen(self) -> Sequence[Command]:
        """Return commands; raise Stopped on a stop, a signal, or a console that went away."""
        if self._flag.number is not None:
            raise Stopped(f"Stopped by {self._flag.words}.", by_operator=self._flag.by_operator)
        if self._stop is not None:
            raise Stopped(f"Stopped: {self._stop.why}.", by_operator=self._stop.by_operator)
        if self._inbox.gone and not self._detached:
            raise Stopped(
                "The console went away, so the bench took the feeds off.", by_operator=False
            )
        commands: list[Command] = []
        while (command := self._inbox.take()) is not None:
            if isinstance(command, Stop):
                self._stop = command
                break
            if isinstance(command, Answer):
                self._answer = command.text
            else:
                commands.append(aged(command) if isinstance(command, Hold) else command)
        # What came before a stop (a note) is not lost: it is handed on, then the job ends.
        return commands if commands or self._stop is None else self.listen()

    def close(self) -> None:
        """Let the last events out."""
        self._outbox.put(None)
        self._sender.join(2.0)


def bench_main(records: Path, ring_name: str, pipe: Connection, quiet: bool) -> None:
    """Do one job in this process; everything that happens is told through ``pipe``."""
    os.setsid()  # what happens to the console's terminal is told by the pipe, not by signals
    if quiet:
        _hush()
    ring = SampleRing(ring_name)
    with flag_signals() as flag:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
        console = PipeConsole(pipe, ring, flag)
        try:
            job = console.wait_for_job()
            if job is not None:
                do_job(job, records, console)
        except RecordsError as error:
            console.show(Refused(str(error), status=6))
        except (BenchError, DriverError) as error:
            console.show(Refused(str(error)))
        except Exception as error:
            console.show(
                Refused(
                    f"The bench program failed ({error!r}); its feeds are off. Please report this "
                    "with the plan and the rig file.",
                    status=70,
                )
            )
        finally:
            console.close()
            ring.close()


def _hush() -> None:
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in range(3):
        os.dup2(nowhere, number)
    os.close(nowhere)


def do_job(job: Job, records: Path, console: PipeConsole) -> None:
    """Open the backend and the record and do one job in real time."""
    backend = load_backend(job.backend_name, job.wiring(), job.options)
    # What was loaded so far stays; collecting it again and again would cost milliseconds.
    gc.collect()
    gc.freeze()
    try:
        with ThreadKeeper(records) as keeper:
            carry_out(job, backend, keeper, console)
    finally:
        backend.close()
