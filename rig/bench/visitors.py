"""Who came to a bench by its socket, and what they are told.

One visitor at a time commands and is asked; any other may only stop the job.  Whoever comes in the
middle of a job is told everything that happened in it before.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from queue import Empty, SimpleQueue
from typing import Any

import rig
from rig.bench.commands import Answer, Stop
from rig.bench.events import Asked, BenchEvent, HalfTurnEnded, Ready, StepEnded
from rig.bench.mailbox import Inbox, Outbox, shut
from rig.bench.meeting_place import MeetingPlace
from rig.bench.order import Job
from rig.bench.ring import SampleRing

_LOOK_S = 0.02  # whoever waits for a job looks so often
_CLOSE_S = 2.0


@dataclass(frozen=True, slots=True)
class Welcome:
    """The first thing a visitor is told: whose bench this is and what it does.

    ``ring`` names the shared memory with the samples; ``occupied_by`` is the process number of
    the console that commands it already, 0 if this one does.
    """

    version: str
    pid: int
    ring: str
    job: Job | None = None
    occupied_by: int = 0


class Visitor:
    """One console that came by the socket."""

    def __init__(self, pipe: Connection, pid: int) -> None:
        self.pid = pid
        self._pipe = pipe
        self.inbox = Inbox(pipe)
        self.outbox = Outbox(pipe)

    def close(self) -> None:
        """Let out what waits, then hang up."""
        self.outbox.close(_CLOSE_S)
        # One that takes nothing holds the outbox up in the middle of sending.
        shut(self._pipe, socket.SHUT_RDWR)
        self.outbox.close(_CLOSE_S)
        self.inbox.close(_CLOSE_S)
        self._pipe.close()


class Visitors:
    """The line to whoever is there (`rig.bench.console_end.Line`).

    Everything but `accept_all` runs in the thread of the control loop, so that nothing is told
    twice or in another order; none of it blocks but `between_jobs` and `close`.
    """

    def __init__(self, place: MeetingPlace) -> None:
        self.ring = SampleRing()
        self._arrived: SimpleQueue[Visitor] = SimpleQueue()
        self._there: list[Visitor] = []
        self._first: Visitor | None = None  # who commands
        self._giver: Visitor | None = None  # who gave the job
        self._job: Job | None = None
        self._told: list[BenchEvent] = []
        self._place = place
        # Both ready from the start: the control loop waits for no thread to begin.
        self._leaving: SimpleQueue[Visitor | None] = SimpleQueue()
        self._door = threading.Thread(target=self._accept_all, name="door", daemon=True)
        self._usher = threading.Thread(target=self._see_off, name="usher", daemon=True)
        self._door.start()
        self._usher.start()

    def _accept_all(self) -> None:
        while (came := self._place.accept()) is not None:
            pipe, pid = came
            try:
                self._arrived.put(Visitor(pipe, pid))
            except (RuntimeError, MemoryError):  # no thread to be had for it: it may come again
                pipe.close()

    def _see_off(self) -> None:
        while (visitor := self._leaving.get()) is not None:
            visitor.close()

    # --- the line -----------------------------------------------------------------------------

    def send(self, event: BenchEvent) -> None:
        """Tell whoever commands, and keep it for those who come later."""
        if isinstance(event, StepEnded):
            # It holds the half-turns as measured; what the loop saw of them is told no more.
            self._told = [e for e in self._told if not isinstance(e, HalfTurnEnded)]
        self._told.append(event)
        if self._first is not None:
            self._first.outbox.put(event)

    def take(self, wait_s: float = 0.0) -> Any | None:
        """Return the next thing said by whoever commands, or a `Stop` of anybody."""
        end_s = time.monotonic() + wait_s
        while True:
            self._look_around()
            said = self._heard()
            if said is not None or time.monotonic() >= end_s:
                return said
            time.sleep(_LOOK_S)

    @property
    def gone(self) -> bool:
        """Tell whether whoever gave the job has gone and everything it said was taken."""
        return self._giver is None or self._giver.inbox.gone

    # --- jobs ---------------------------------------------------------------------------------

    def begin(self, job: Job) -> None:
        """Take note that ``job``, heard from whoever commands, begins."""
        self._job, self._giver, self._told = job, self._first, []

    def between_jobs(self) -> None:
        """Hang up on everybody: one visit, one job.  The next job has a ring of its own."""
        for visitor in {*self._there, *([self._giver] if self._giver else [])}:
            visitor.close()
        self._there, self._first, self._giver = [], None, None
        self._job, self._told = None, []
        self.ring.close()
        self.ring = SampleRing()

    def close(self) -> None:
        """Hang up for good."""
        self._place.close()
        self._leaving.put(None)
        self._door.join(_CLOSE_S)
        while True:  # whoever waits at the door sees that nobody will come
            try:
                self._there.append(self._arrived.get_nowait())
            except Empty:
                break
        for visitor in self._there:
            visitor.close()
        self._there = []
        self.ring.close()

    # --- who is there -------------------------------------------------------------------------

    def _look_around(self) -> None:
        while not self._arrived.empty():
            self._receive(self._arrived.get())
        for visitor in [v for v in self._there if v.inbox.gone]:
            self._there.remove(visitor)
            if visitor is self._first:
                self._first = None
            if visitor is not self._giver:  # whose going has yet to be taken note of
                self._leaving.put(visitor)

    def _receive(self, visitor: Visitor) -> None:
        self._there.append(visitor)
        first = self._first
        if first is not None and first.inbox.gone:
            first = None
        occupied_by = 0 if first is None else first.pid
        ring = self.ring.name
        welcome = Welcome(rig.__version__, os.getpid(), ring, self._job, occupied_by)
        if first is not None:
            visitor.outbox.put(welcome)
            return
        self._first = visitor
        told = self._told if self._job is not None else [Ready()]
        visitor.outbox.put_all([welcome, *told])

    def _heard(self) -> Any | None:
        for visitor in self._there:
            while (said := visitor.inbox.take()) is not None:
                if visitor is self._first:
                    if isinstance(said, Answer):
                        # Answered: nobody who comes later is asked that again.
                        self._told = [e for e in self._told if not isinstance(e, Asked)]
                    return said
                if isinstance(said, Stop):
                    return said
        return None
