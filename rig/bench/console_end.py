"""The console's end inside the bench process: what it says, what it answers, that it is there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from typing import Any, Protocol

from rig.bench.commands import Answer, Command, Hold, Stop
from rig.bench.errors import Stopped
from rig.bench.events import Asked, BenchEvent
from rig.bench.mailbox import Inbox, Outbox, aged
from rig.bench.requests import Ask, Sample
from rig.bench.ring import SampleRing
from rig.bench.seams import Done
from rig.bench.signals import SignalFlag


class Line(Protocol):
    """How a bench hears from its console and tells it what happens."""

    def send(self, event: BenchEvent) -> None:
        """Send an event; never blocks."""
        ...

    def take(self, wait_s: float = 0.0) -> Any | None:
        """Return the next thing that came, waiting up to ``wait_s`` seconds; None if none did."""
        ...

    @property
    def gone(self) -> bool:
        """Tell whether the console has gone and everything it sent was taken."""
        ...


class PipeLine:
    """A console at the other end of a pipe."""

    def __init__(self, pipe: Connection) -> None:
        self._inbox = Inbox(pipe)
        self._outbox = Outbox(pipe)

    def send(self, event: BenchEvent) -> None:
        """Send an event; never blocks."""
        self._outbox.put(event)

    def take(self, wait_s: float = 0.0) -> Any | None:
        """Return the next thing that came, waiting up to ``wait_s`` seconds; None if none did."""
        return self._inbox.take(wait_s)

    @property
    def gone(self) -> bool:
        """Tell whether the console has gone and everything it sent was taken."""
        return self._inbox.gone

    def close(self) -> None:
        """Let the last events out."""
        self._outbox.close(2.0)


class ConsoleEnd:
    """Whoever watches one job, through ``line`` and ``ring`` (`rig.bench.seams.Console`).

    ``detached`` lets the job go on when the console goes away.  ``flag`` is set by the signals
    that end a job.  ``alive`` is called by the control loop as often as it listens.
    """

    def __init__(
        self,
        line: Line,
        ring: SampleRing,
        flag: SignalFlag,
        *,
        detached: bool = False,
        alive: Callable[[], None] = lambda: None,
    ) -> None:
        self._line = line
        self._ring = ring
        self._flag = flag
        self._detached = detached
        self._alive = alive
        self._answer: str | None = None
        self._stop: Stop | None = None

    def show(self, event: BenchEvent) -> None:
        """Send an event; never blocks."""
        self._line.send(event)

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
        self._alive()
        if self._flag.number is not None:
            raise Stopped(f"Stopped by {self._flag.words}.", by_operator=self._flag.by_operator)
        if self._stop is not None:
            raise Stopped(f"Stopped: {self._stop.why}.", by_operator=self._stop.by_operator)
        if not self._detached and self._line.gone:
            raise Stopped(
                "The console went away, so the bench took the feeds off.", by_operator=False
            )
        commands: list[Command] = []
        while (command := self._line.take()) is not None:
            if isinstance(command, Stop):
                self._stop = command
                break
            if isinstance(command, Answer):
                self._answer = command.text
            else:
                commands.append(aged(command) if isinstance(command, Hold) else command)
        # What came before a stop (a note) is not lost: it is handed on, then the job ends.
        return commands if commands or self._stop is None else self.listen()
