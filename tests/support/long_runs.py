"""A long endurance run in virtual time, in this process, as `halfturn run` does it; watched."""

from __future__ import annotations

import os
import sqlite3
import sys
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from bench_runs import make_settings

from drivers import BackendOptions
from rig.bench.events import BenchEvent, HalfTurnEnded, RunEnded
from rig.bench.order import RunOrder
from rig.commands.progress import Progress
from rig.commands.run import Gathered, carry_out
from rig.plans import plan_from_text
from rig.quality.decision import DEFAULT_RULE

# Unit, limits and guard as in the shipped endurance plan but for what a run of days needs:
# ``step_max_s``, and rests of the shortest that the duty allows (half the time on).
PLAN = """
title = "Long run"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
heat_j_per_k = 120.0
[limits]
half_turn_max_s = [[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]
run_on_s = 3.0
stall_s = 0.25
rest_max_a = 0.05
run_max_a = 7.0
peak_max_a = 30.0
dropouts_max = 0
[guard]
over_current_a = 33.0
over_current_s = 0.01
step_max_s = 1000000.0
[[step]]
kind = "zero"
[[step]]
kind = "endurance"
cycles = {cycles}
pause_s = 0.3
duty_max = 0.5
record_every = {record_every}
"""
_PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
_WARM_UP = 0.1  # of the run: caches and what the simulated world remembers fill first


def resident_bytes() -> int:
    """Return the memory of this process that is in RAM now (proc(5), statm)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * _PAGE_BYTES


class Watched(Gathered):
    """What `halfturn run` gathers, and CPU time and memory at each half-turn's end."""

    def __init__(self, half_turns: int) -> None:
        super().__init__(Progress(quiet=True), whole=False, rule=DEFAULT_RULE)
        self.to_come = half_turns
        self.done = 0
        self.at: list[int] = []
        self.cpu_s: list[float] = []
        self.rss: list[int] = []
        self._every = max(1, half_turns // 400)
        self._began_s = self._shown_s = time.monotonic()

    def show(self, event: BenchEvent) -> None:
        """Gather one event."""
        super().show(event)
        if not isinstance(event, HalfTurnEnded):
            return
        self.done += 1
        if self.done % self._every == 0:
            self.at.append(self.done)
            self.cpu_s.append(time.process_time())
            self.rss.append(resident_bytes())
        if time.monotonic() - self._shown_s > 1.0 or self.done == self.to_come:
            self._bar()

    def _bar(self) -> None:
        self._shown_s = time.monotonic()
        if not sys.stderr.isatty():
            return
        part = self.done / self.to_come
        left_s = (self._shown_s - self._began_s) * (1 / part - 1)
        bar = ("#" * round(40 * part)).ljust(40)
        end = "\n" if self.done == self.to_come else ""
        sys.stderr.write(
            f"\r\033[K[{bar}] {self.done} of {self.to_come}, {left_s / 60:.0f} min left, "
            f"{resident_bytes() / 1e6:.0f} MB{end}"
        )
        sys.stderr.flush()


@dataclass(frozen=True)
class Line:
    """A straight line through values per half-turn: their mean, the slope, its U (k = 2)."""

    mean: float
    slope: float
    u: float

    @classmethod
    def through(cls, at: np.ndarray, values: np.ndarray) -> Line:
        """Fit ``values`` over ``at`` by least squares; the scatter gives the uncertainty."""
        x = at - at.mean()
        slope = float(x @ values / (x @ x))
        left = values - values.mean() - slope * x
        u = 2.0 * float(np.sqrt((left @ left) / (len(x) - 2) / (x @ x)))
        return cls(float(values.mean()), slope, u)


@dataclass(frozen=True)
class LongRun:
    """What a long run came to."""

    ended: RunEnded
    watched: Watched
    sample_hz: int
    wall_s: float
    cpu_s: float
    peak_bytes: int
    kept: Kept

    def memory(self) -> Line:
        """Return the fit of resident memory, bytes over half-turns."""
        at, _, rss = self._settled()
        return Line.through(at, rss)

    def time(self) -> Line:
        """Return the fit of CPU time per half-turn, s over half-turns."""
        at, cpu, _ = self._settled()
        return Line.through((at[1:] + at[:-1]) / 2, np.diff(cpu) / np.diff(at))

    def _settled(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        first = int(len(self.watched.at) * _WARM_UP)
        columns = (self.watched.at, self.watched.cpu_s, self.watched.rss)
        at, cpu, rss = (np.array(column[first:], dtype=float) for column in columns)
        return at, cpu, rss


@dataclass(frozen=True)
class Kept:
    """What is in the records: rows, samples of traces, bytes of the file and of packed traces."""

    steps: int
    half_turns: int
    samples: int
    trace_bytes: int
    file_bytes: int
    virtual_s: float = field(default=0.0)

    @classmethod
    def at(cls, records: Path) -> Kept:
        """Count what is in ``records``, which nobody has open."""
        with closing(sqlite3.connect(records)) as raw:
            (steps,) = raw.execute("SELECT count(*) FROM steps").fetchone()
            turns, last_s = raw.execute("SELECT count(*), max(end_s) FROM half_turns").fetchone()
            samples, packed = raw.execute(
                "SELECT sum(samples), sum(length(data)) FROM traces"
            ).fetchone()
        return cls(steps, turns, samples, packed, records.stat().st_size, last_s)


def long_run(half_turns: int, sample_hz: int, record_every: int, records: Path) -> LongRun:
    """Do ``half_turns`` half-turns in one endurance step and return what was seen."""
    settings = make_settings(sample_hz)
    plan = plan_from_text(
        PLAN.format(cycles=half_turns // 2, record_every=record_every), Path("long_run.toml")
    )
    order = RunOrder(
        settings=settings,
        station=settings.stations[0],
        plan=plan,
        unit_serial="LONG-RUN",
        backend="simulated",
        options=BackendOptions(seed=1),
    )
    watched = Watched(half_turns)
    began_s, began_cpu_s = time.monotonic(), time.process_time()
    ended = carry_out(order, records, watched)
    wall_s, cpu_s = time.monotonic() - began_s, time.process_time() - began_cpu_s
    peak = Path("/proc/self/status").read_text().partition("VmHWM:")[2].split()[0]
    return LongRun(ended, watched, sample_hz, wall_s, cpu_s, int(peak) * 1024, Kept.at(records))
