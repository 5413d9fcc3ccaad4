"""Controllers to be killed: a bench forked from a nursery, or ``halfturn run`` with the bench it
spawns.  Both tell what they reported, and neither is left behind."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import re
import resource
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from worlds import ROOT, WAIT_S

from rig.bench.events import RunBegan, RunEnded, StepEnded
from rig.bench.ring import SampleRing

BACKEND = "drivers.simulated.apart:backend"
SUPPORT = Path(__file__).parent


@dataclass
class Reported:
    """What a controller had reported, ``step`` by number; ``ended`` the run's state."""

    began: bool = False
    steps: set[int] = field(default_factory=set)
    ended: str = ""


class Process:
    """A process by a handle that is never another's; ``pid`` need not be a child of ours."""

    def __init__(self, pid):
        self.pid = pid
        self._handle = None
        with suppress(ProcessLookupError):
            self._handle = os.pidfd_open(pid)

    def ended(self, wait_s=0.0):
        """Tell whether it has ended, waiting up to ``wait_s`` for it."""
        if self._handle is None:
            return True
        return bool(select.select([self._handle], [], [], wait_s)[0])

    def send(self, number):
        """Send a signal; return the moment after that, s."""
        if self._handle is not None:
            with suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._handle, number)
        return time.monotonic()

    def still_s(self):
        """Return a moment from which it does nothing any more: it has ended, or is stopped, s.

        On a busy machine that is not when the signal was sent: a system call that it was in may
        be carried out first.
        """
        while not self.ended(0.001):
            with suppress(OSError):
                stat = Path(f"/proc/{self.pid}/stat").read_text()
                if stat.rpartition(")")[2].split()[0] == "T":
                    break
        return time.monotonic()

    def starve(self, how):
        """Let its allocations fail: "limit", "some" of them or "all" (`starve.c`, preloaded)."""
        if how != "limit":
            self.send(signal.SIGUSR1 if how == "some" else signal.SIGUSR2)
            return
        with suppress(ProcessLookupError, OSError):
            pages = int(Path(f"/proc/{self.pid}/statm").read_text().split()[0])
            limit = pages * resource.getpagesize() // 2
            resource.prlimit(self.pid, resource.RLIMIT_AS, (limit, limit))

    def close(self):
        """Kill it if it is still there, and let go of it."""
        self.send(signal.SIGKILL)
        if self._handle is not None:
            os.close(self._handle)


class Nursery:
    """A process that forks benches; see ``bench_nursery.py``."""

    def __init__(self, preload=""):
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._socket, self._lock = ours, threading.Lock()
        environment = os.environ | {
            "PYTHONPATH": f"{ROOT}:{SUPPORT}",
            "OPENBLAS_NUM_THREADS": "1",  # a thread would not be in the fork
        }
        if preload:
            environment["LD_PRELOAD"] = preload
        self._process = subprocess.Popen(
            [sys.executable, str(SUPPORT / "bench_nursery.py"), str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            env=environment,
        )
        theirs.close()

    def bench(self, records, ring, pipe, cut):
        """Start a bench; return its process number."""
        order = {"records": str(records), "ring": ring, "cut": cut}
        with self._lock:
            socket.send_fds(self._socket, [json.dumps(order).encode()], [pipe.fileno()])
            return int(self._socket.recv(100))

    def close(self):
        """End it."""
        self._socket.close()
        self._process.wait(WAIT_S)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


class ForkedController:
    """A bench out of the nursery; this process is its console."""

    def __init__(self, nursery, order, records, cut):
        self._ring = SampleRing()
        self._pipe, theirs = multiprocessing.Pipe()
        self.bench = Process(nursery.bench(records, self._ring.name, theirs, cut))
        theirs.close()
        self._journal = cut[1] if cut else None
        self.told = []  # (event, length of the journal as it came)
        self.started_s = time.monotonic()
        self._pipe.send(order)
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self):
        with suppress(EOFError, OSError):
            while True:
                event = self._pipe.recv()
                length = Path(self._journal).stat().st_size if self._journal else 0
                self.told.append((event, length))

    def reported(self, journal_length=math.inf):
        """Return what was reported, or what was by the time the journal was so long."""
        said = Reported()
        for event, length in list(self.told):
            if length > journal_length:
                break
            if isinstance(event, RunBegan):
                said.began = True
            elif isinstance(event, StepEnded):
                said.steps.add(event.number)
            elif isinstance(event, RunEnded):
                said.ended = str(event.state)
        return said

    def wait_for_bench(self):
        """Return the bench's process."""
        return self.bench

    def rest(self):
        """Return the processes that a console leaves."""
        return [self.bench]

    def kill_console(self):
        """Be a console that dies: nothing is read or written any more."""
        with suppress(OSError), socket.socket(fileno=os.dup(self._pipe.fileno())) as end:
            end.shutdown(socket.SHUT_RDWR)
        return time.monotonic()

    def ended(self, wait_s=0.0):
        """Tell whether everything has ended."""
        return self.bench.ended(wait_s)

    def trouble(self):
        """Return what should not have been said."""
        failed = [e.text for e, _ in self.told if getattr(e, "status", 0) == 70]
        return f"it said: {failed[0]}" if failed else ""

    def close(self):
        """Let go of it."""
        self.bench.close()
        self.kill_console()
        self._reader.join()
        self._pipe.close()
        self._ring.close()


class CommandController:
    """``halfturn run``, which spawns its bench."""

    def __init__(self, lane, serial, records, cut):
        self._said = tempfile.TemporaryFile("w+")  # noqa: SIM115  closed by `close`
        environment = os.environ | {"PYTHONPATH": str(ROOT), "LD_PRELOAD": lane.preload}
        if cut:
            environment |= {"CUT_FOLDER": cut[0], "CUT_JOURNAL": cut[1]}
        self.started_s = time.monotonic()
        self._program = subprocess.Popen(
            [
                *(sys.executable, "-m", "rig.cli", "run", str(lane.plan)),
                *("--rig", str(lane.rig), "--backend", BACKEND),
                *("--set", f"world={lane.world.folder}", "--records", str(records)),
                *("--unit", serial, "--accept-cautions"),
            ],
            stdout=subprocess.DEVNULL,
            stderr=self._said,
            env=environment,
        )
        self.console = Process(self._program.pid)
        self.bench = None
        self._rest = []

    def _children(self):
        with suppress(OSError):
            task = Path(f"/proc/{self._program.pid}/task/{self._program.pid}/children")
            return task.read_text().split()
        return []

    def _spawned(self):
        with suppress(OSError):
            for child in self._children():
                if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                    return Process(int(child))
        return None

    def rest(self):
        """Return the processes that it left, the bench among them if there was one."""
        return self._rest

    def wait_for_bench(self):
        """Return the bench's process once there is one; None if there will be none."""
        while self.bench is None and not self.console.ended(0.002):
            self.bench = self._spawned()
        return self.bench

    def kill_console(self):
        """Kill ``halfturn run`` itself."""
        # All of them: one that is just being spawned cannot be told for the bench yet.
        self._rest = [Process(int(child)) for child in self._children()]
        return self.console.send(signal.SIGKILL)

    def ended(self, wait_s=0.0):
        """Tell whether everything has ended."""
        end_s = time.monotonic() + wait_s
        return all(
            process is None or process.ended(max(end_s - time.monotonic(), 0.0))
            for process in (self.console, self.bench, *self._rest)
        )

    def _text(self):
        self._said.seek(0)
        return self._said.read()

    def reported(self):
        """Return what was printed: a step is over when what it found, or the next one, is told."""
        said, step = Reported(), 0
        for line in self._text().splitlines():
            if begun := re.match(r"step (\d+) of \d+:", line):
                if step:
                    said.steps.add(step)
                step = int(begun[1])
            elif step and re.match(r"  (\d+ half-turns?:|zero offset |rest draw )", line):
                said.steps.add(step)
            elif ended := re.match(r"run (\w+), feeds read back off", line):
                said.ended = ended[1]
            said.began = said.began or " on station " in line
        return said

    def trouble(self):
        """Return what should not have been said."""
        return "it printed a traceback" if "Traceback" in self._text() else ""

    def close(self):
        """Let go of it."""
        for process in (self.console, self.bench, *self._rest):
            if process is not None:
                process.close()
        self._program.wait()
        self._said.close()
