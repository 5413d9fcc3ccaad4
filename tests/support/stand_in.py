"""A bench for console tests: the same handle, the session in a thread, in virtual time.

Deterministic: `hold_at` and `advance` say how far the bench's clock may run; at a question and in
a pause it stands still until it is told to go on.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from dataclasses import replace
from queue import Empty, SimpleQueue

from drivers import DriverError
from drivers.backends import load_backend
from rig.bench.commands import Answer, Stop
from rig.bench.errors import BenchError, Stopped
from rig.bench.events import Asked, Paused, Ready, Refused, WentOn
from rig.bench.jobs import carry_out
from rig.bench.keeper import DirectKeeper
from rig.bench.ring import SampleRing
from rig.records.store import RecordsError, Store

FOREVER_S = float("inf")


class Died(BaseException):
    """The process is gone: nothing is tidied up."""


class StandIn:
    """A bench that lives in this process (`rig.bench.handle.BenchHandle`).

    ``until_s``: virtual seconds it may run before it stands still (`FOREVER_S`: to the end).
    """

    pid = None
    job = None
    outlives = False
    goes_on = False

    def __init__(self, records, until_s=FOREVER_S):
        self.ring = SampleRing()
        self.backend = None
        self.commands = []
        self._records = records
        self._out = SimpleQueue()
        self._inbox = deque()
        self._changed = threading.Condition()
        self._until_s = until_s
        self._now_s = 0.0
        self._still = False
        self._over = False
        self._dead = False
        self._answer = None
        self._paused = False
        self._thread = None
        self._out.put(Ready())

    # --- the handle ------------------------------------------------------------------------

    @property
    def alive(self):
        return not (self._over or self._dead)

    def begin(self, job):
        self.job = job
        job = replace(job, options=replace(job.options, real_time=False))
        self._thread = threading.Thread(target=self._live, args=(job,), daemon=True)
        self._thread.start()

    def tell(self, command):
        with self._changed:
            self.commands.append(command)
            self._inbox.append(command)
            self._still = False
            self._changed.notify_all()

    def events(self, wait_s=0.0):
        while True:
            try:
                yield self._out.get_nowait()
            except Empty:
                return

    def close(self, wait_s=10.0):
        if self._thread is not None and self._thread.is_alive():
            self.tell(Stop("the console was closed"))
            self._thread.join(wait_s)
        self.ring.close()
        return True

    # --- what tests do ---------------------------------------------------------------------

    def hold_at(self, until_s):
        """Let the bench's clock run to ``until_s``, then stand still."""
        with self._changed:
            self._until_s = until_s
            self._still = False
            self._changed.notify_all()

    @property
    def begun(self):
        """Tell whether it was given its job."""
        return self._thread is not None

    def advance(self, seconds):
        """Let the bench's clock run ``seconds`` more, then stand still."""
        self.hold_at(max(self._now_s, 0.0) + seconds)

    def die(self):
        """Be gone, as a killed process is."""
        with self._changed:
            self._dead = True
            self._changed.notify_all()

    @property
    def still(self):
        """Tell whether the bench waits for something or is over."""
        return self._still or not self.alive or self._thread is None

    # --- the bench's side: rig.bench.seams.Console -----------------------------------------

    def show(self, event):
        if self._dead:
            return  # what the session still does when it is thrown out is not heard
        if isinstance(event, Paused):
            self._paused = True
        elif isinstance(event, WentOn):
            self._paused = False
        self._out.put(event)

    def sample(self, sample):
        self.ring.write(sample)
        self._now_s = sample.time_s
        with self._changed:
            self._rest(lambda: self._now_s < self._until_s)

    def ask(self, ask, wait):
        while True:
            self._answer = None
            self.show(Asked(ask, ask.seen))
            with self._changed:
                self._rest(lambda: self._answer is not None)
            wait(lambda: self._answer is not None)
            if not ask.allowed or self._answer in ask.allowed:
                return self._answer

    def listen(self):
        with self._changed:
            if self._paused:
                self._rest(lambda: False)
            self._look_alive()
            commands = []
            while self._inbox:
                command = self._inbox.popleft()
                if isinstance(command, Stop):
                    raise Stopped(f"Stopped: {command.why}.", by_operator=command.by_operator)
                if isinstance(command, Answer):
                    self._answer = command.text
                else:
                    commands.append(command)
            return commands

    def _rest(self, go_on):
        """Stand still (the condition is held) until ``go_on()`` or a command has come."""
        while not (go_on() or self._inbox):
            self._look_alive()
            self._still = True
            self._changed.wait(5.0)
        self._still = False

    def _look_alive(self):
        if self._dead:
            raise Died

    def _fit(self, job):
        """Leave the unit where the simulated rig has it: on its first station."""

    def _live(self, job):
        try:
            self._do(job)
        except Died:
            return
        except (BenchError, DriverError) as error:
            self.show(Refused(str(error)))
        except RecordsError as error:
            self.show(Refused(str(error), status=6))
        finally:
            self._over = True

    def _do(self, job):
        self.backend = load_backend(job.backend_name, job.wiring(), job.options)
        self._fit(job)
        try:
            with Store.open(self._records) as store:
                carry_out(job, self.backend, DirectKeeper(store), self)
        finally:
            self.backend.close()


async def until(pilot, predicate, timeout_s=20.0):
    """Let the application work until ``predicate()`` holds."""
    end_s = time.monotonic() + timeout_s
    while not predicate():
        if time.monotonic() > end_s:
            raise AssertionError("this did not come about: " + str(predicate))
        # Not `pilot.pause`: it has every widget at work, which a machine under load feels.
        await asyncio.sleep(0.01)
    await pilot.pause()


async def rested(pilot, bench, timeout_s=20.0):
    """Let the bench come to rest and the application take in everything it said."""
    end_s = time.monotonic() + timeout_s
    while not bench.still:
        if time.monotonic() > end_s:
            raise AssertionError("the bench does not come to rest")
        await asyncio.sleep(0.005)
    pilot.app.pump()
    await pilot.pause()
