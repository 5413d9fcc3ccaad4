"""A bench that outlives its consoles, as a console sees it that came to its socket."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path

import rig
from rig.bench.commands import Command, Stop
from rig.bench.errors import BenchError, OccupiedError
from rig.bench.events import BenchEvent
from rig.bench.handle import TERMINATED_S
from rig.bench.mailbox import Inbox, Outbox
from rig.bench.meeting_place import visit, who_listens
from rig.bench.order import Job, RunOrder
from rig.bench.ring import SampleRing
from rig.bench.visitors import Welcome
from rig.records.owner import exists

# A bench answers within a cycle or two, unless it just works a long trace out.
WELCOME_S = 10.0
_TRY_AGAIN_S = 0.1


class UnheardError(BenchError):
    """The bench there gives no answer that is understood; ``pid`` is its process number."""

    def __init__(self, text: str, pid: int) -> None:
        super().__init__(text)
        self.pid = pid


class AttachedBench:
    """A bench reached by its socket (`rig.bench.handle.BenchHandle`); made by `attach`.

    Closing it ends the job, unless that was ordered to go on by itself.
    """

    outlives = True

    def __init__(self, pipe: Connection, welcome: Welcome) -> None:
        self.job: Job | None = welcome.job
        self.pid = welcome.pid
        try:
            self.ring = SampleRing(welcome.ring, foreign=True)
        except FileNotFoundError:
            # The job has just ended, or the system removed it when its user logged out: the bench
            # is commanded all the same, only without live samples.
            self.ring = SampleRing()
        self.occupied_by = welcome.occupied_by
        self._pipe = pipe
        self._inbox = Inbox(pipe)
        self._outbox = Outbox(pipe)
        self._stopping = False
        self._closed = False

    @property
    def alive(self) -> bool:
        """Tell whether the bench still talks to us, or things it said are on their way."""
        return not (self._closed or self._inbox.gone)

    def events(self, wait_s: float = 0.0) -> Iterator[BenchEvent]:
        """Yield the events that came, waiting up to ``wait_s`` seconds for the first."""
        while (event := self._inbox.take(wait_s)) is not None:
            wait_s = 0.0
            yield event

    @property
    def has_news(self) -> bool:
        """Tell whether `events` would yield something at once, or the bench has hung up."""
        return self._inbox.waiting or self._inbox.ended

    def begin(self, job: Job) -> None:
        """Hand it its job; the bench hangs up when that is over."""
        self.job = job
        self._outbox.put(job)

    def tell(self, command: Command) -> None:
        """Send a command; never blocks."""
        self._stopping = self._stopping or isinstance(command, Stop)
        self._outbox.put(command)

    @property
    def goes_on(self) -> bool:
        """Tell whether the job goes on when we leave."""
        return isinstance(self.job, RunOrder) and self.job.detached and not self._stopping

    def close(self, wait_s: float = 10.0) -> bool:
        """Leave; end the job first if it is not to go on by itself.  Idempotent.

        False if the bench hung and was killed: what its feeds are is not known then.
        """
        if self._closed:
            return True
        self._closed = True
        ended = True
        if self.job is not None and not self.goes_on and not self.occupied_by:
            ended = self.stop("the console was closed", wait_s)
        self._outbox.close(TERMINATED_S)
        self._inbox.close(TERMINATED_S)
        self._pipe.close()
        self.ring.close()
        return ended

    def stop(self, why: str, wait_s: float) -> bool:
        """Stop its job and wait until it hangs up; False if it hung and was killed."""
        self.tell(Stop(why))
        return self.end(wait_s)

    def end(self, wait_s: float) -> bool:
        """Wait until the bench, told to stop, hangs up; False if it hung and was killed."""
        if self._hung_up(wait_s):
            return True
        end_process(self.pid)
        return False

    def _hung_up(self, wait_s: float) -> bool:
        end_s = time.monotonic() + wait_s
        while not self._inbox.ended and time.monotonic() < end_s:
            time.sleep(0.01)
        return self._inbox.ended


def stop_elsewhere(folder: Path, why: str, wait_s: float = 5.0) -> str:
    """Stop the job of the bench that listens in ``folder``, whoever commands it.

    Returns what came of it, a sentence, empty if no bench or no job is there.  Raises BenchError if
    the bench gives no answer.
    """
    bench = attach(folder, only_to_stop=True, wait_s=wait_s)
    if bench is None:
        return ""
    try:
        if bench.job is None:
            return ""
        if bench.stop(why, wait_s):
            return f"The job of the bench that goes on by itself (process {bench.pid}) was ended."
        return (
            f"The bench that goes on by itself (process {bench.pid}) hung and was ended: press the "
            "emergency stop and give `halfturn off`."
        )
    finally:
        bench.close()


def end_process(pid: int, wait_s: float = TERMINATED_S) -> None:
    """Ask process ``pid`` to end, feeds off; kill it if it has not within ``wait_s`` seconds."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        with suppress(OSError):
            os.kill(pid, number)
        end_s = time.monotonic() + wait_s
        while exists(pid) and time.monotonic() < end_s:
            time.sleep(0.02)


def attach(
    folder: Path,
    *,
    only_to_stop: bool = False,
    wait_s: float = WELCOME_S,
    free_within_s: float = 0.0,
) -> AttachedBench | None:
    """Return the bench that listens in ``folder``, None if none does.

    ``wait_s`` (s) is how long it may take to answer; for ``free_within_s`` (s) it is tried again
    if another console commands it, which may just be leaving.  Raises BenchError if it cannot be
    talked to, does not answer or is of another version; OccupiedError if another console commands
    it, unless this one will only stop the job.
    """
    end_s = time.monotonic() + free_within_s
    while True:
        try:
            return _attach(folder, only_to_stop, wait_s)
        except OccupiedError:
            if time.monotonic() >= end_s:
                raise
            time.sleep(_TRY_AGAIN_S)


def _attach(folder: Path, only_to_stop: bool, wait_s: float) -> AttachedBench | None:
    pipe = visit(folder)
    if pipe is None:
        return None
    try:
        welcome = _welcome(pipe, folder, wait_s)
    except BaseException:
        pipe.close()
        raise
    if welcome is None:
        pipe.close()
        return None
    if welcome.occupied_by and not only_to_stop:
        pipe.close()
        raise OccupiedError(welcome.occupied_by)
    return AttachedBench(pipe, welcome)


def _welcome(pipe: Connection, folder: Path, wait_s: float) -> Welcome | None:
    if not pipe.poll(wait_s):
        raise UnheardError(
            f"The bench that listens in {folder} has not answered for {wait_s:.0f} s: it is "
            "working out a long trace, or it hangs. Try again in a minute. If it still does not "
            "answer, press the emergency stop and give `halfturn off`.",
            who_listens(pipe),
        )
    try:
        welcome = pipe.recv()
    except (EOFError, OSError):
        return None  # it has just ended
    except Exception as error:  # what another version sends may not be understood at all
        raise _other_version("another version", pipe) from error
    if not isinstance(welcome, Welcome):
        raise _other_version("another version", pipe)
    if welcome.version != rig.__version__:
        raise _other_version(f"version {welcome.version}", pipe)
    return welcome


def _other_version(which: str, pipe: Connection) -> UnheardError:
    return UnheardError(
        f"The bench that is at work runs {which} of halfturn, and this is {rig.__version__}. Let "
        "it end its job, or end it with `halfturn off`; then start it again.",
        who_listens(pipe),
    )
