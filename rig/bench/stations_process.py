"""What a bench process with several stations does: waits for jobs, and has them done side by side.

The rig is opened, every feed off, when the first job comes, and given back when the last is over;
in between a job may come to any station that has none.
"""

from __future__ import annotations

import gc
import os
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from drivers import RigWiring
from drivers.backends import keeps_own_time, load_backend
from rig.bench.console_end import ConsoleEnd, PipeLine
from rig.bench.errors import RefusedError
from rig.bench.events import BenchEvent, Ready
from rig.bench.hub import Hub
from rig.bench.jobs import carry_out, load_jobs
from rig.bench.keeper import ThreadKeeper
from rig.bench.order import CHECK_MAX_A, JOBS, Job, RunOrder
from rig.bench.process import hush, tell_failure
from rig.bench.realtime import Claim, claim, give_back
from rig.bench.ring import SampleRing
from rig.bench.shared_rig import SharedRig
from rig.bench.signals import ENDING, SignalFlag, flag_signals
from rig.bench.stations import Leave, StationEnd, StationsOrder
from rig.crowding import why_crowded

_LOOK_EVERY_S = 0.02
"""A station without a job looks for one so often, s."""


@dataclass(frozen=True, slots=True)
class Place:
    """One station's line and ring in the bench process."""

    name: str
    line: PipeLine
    ring: SampleRing


def stations_main(
    records: Path, order: StationsOrder, ends: Sequence[StationEnd], quiet: bool
) -> None:
    """Do the jobs that come, until the console leaves or goes away."""
    os.setsid()  # what happens to the console's terminal is told by the pipes, not by signals
    if quiet:
        hush()
    load_jobs()  # now: importing holds the thread up for longer than a fed station may wait
    places = [Place(end.name, PipeLine(end.pipe), SampleRing(end.ring)) for end in ends]
    with flag_signals() as flag:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
        try:
            _Bench(records, order, places, flag).serve()
        finally:
            for place in places:
                place.line.close()
                place.ring.close()


@dataclass(frozen=True, slots=True)
class _ToAll:
    """Whoever waits for a rig that is being opened."""

    lines: Sequence[PipeLine]

    def show(self, event: BenchEvent) -> None:
        """Tell all of them."""
        for line in self.lines:
            line.send(event)


@dataclass(frozen=True, slots=True)
class _OneOfLines:
    """A station's line (`rig.bench.console_end.Line`): with any of them the console is gone."""

    own: PipeLine
    all: Sequence[PipeLine]

    def send(self, event: BenchEvent) -> None:
        """Send an event; never blocks."""
        self.own.send(event)

    def take(self, wait_s: float = 0.0) -> Any | None:
        """Return the next thing that came for this station."""
        return self.own.take(wait_s)

    @property
    def gone(self) -> bool:
        """Tell whether the console has gone, by any of its lines."""
        return any(line.gone for line in self.all)


class _Bench:
    """The stations between their jobs, and with them."""

    def __init__(
        self, records: Path, order: StationsOrder, places: Sequence[Place], flag: SignalFlag
    ) -> None:
        self._records = records
        self._order = order
        self._places = places
        self._flag = flag
        self._leaving = False
        self._came: dict[str, Job] = {}  # jobs that are to be begun
        self._jobs = 0  # jobs that are on

    def serve(self) -> None:
        """Wait for a job, have it and all that come meanwhile done, and wait again."""
        for place in self._places:
            place.line.send(Ready())
        while not self._over:
            self._look()
            if self._came:
                self._together()
            else:
                time.sleep(_LOOK_EVERY_S / 2)

    @property
    def _over(self) -> bool:
        gone = any(place.line.gone for place in self._places)
        return self._leaving or gone or self._flag.number is not None

    def _look(self) -> None:
        for place in self._places:
            job = self._take(place)
            if job is not None:
                self._came[place.name] = job

    def _take(self, place: Place) -> Job | None:
        """Return a job that came for a station without one; what else came was for its last."""
        while (said := place.line.take()) is not None:
            if isinstance(said, JOBS):
                return said
            self._leaving = self._leaving or isinstance(said, Leave)
        return None

    # --- jobs -----------------------------------------------------------------------------

    def _together(self) -> None:
        """Open the rig, do the jobs that came and those that come meanwhile, give it back."""
        order = self._order
        wiring = order.settings.wiring(CHECK_MAX_A)
        waiting = [place for place in self._places if place.name in self._came]
        tell_failure(lambda: self._on_rig(wiring), _ToAll([place.line for place in waiting]))
        for place in waiting:
            if self._came.pop(place.name, None) is not None:
                place.line.send(Ready())  # the rig could not be opened

    def _on_rig(self, wiring: RigWiring) -> None:
        order = self._order
        backend = load_backend(order.backend_name, wiring, order.options)
        try:
            hub = Hub(backend.clock)
            real_time = not keeps_own_time(order.backend_name, order.options)
            with ThreadKeeper(self._records, hub.wait) as keeper:
                rig = SharedRig(backend, wiring, hub, order.stations, real_time=real_time)
                try:
                    self._side_by_side(rig, keeper)
                finally:
                    rig.close()
        finally:
            backend.close()

    def _side_by_side(self, rig: SharedRig, keeper: ThreadKeeper) -> None:
        gc.collect()
        gc.freeze()  # collecting what was loaded so far would cost milliseconds again and again
        self._jobs = len(self._came)
        granted = self._claim() if rig.real_time else None
        try:
            for place in self._places:
                rig.hub.begin(partial(self._station, place, rig, keeper, granted))
            rig.hub.run()
        finally:
            give_back()

    def _station(
        self, place: Place, rig: SharedRig, keeper: ThreadKeeper, granted: Claim | None
    ) -> None:
        """Do one job after the other on a station, for as long as any station has one."""
        while self._jobs:
            job = self._came.pop(place.name, None)
            if job is None and not self._over:
                job = self._take(place)
                self._jobs += job is not None
            if job is not None:
                try:
                    self._do(job, place, rig, keeper, granted)
                finally:
                    self._jobs -= 1
                place.line.send(Ready())
            rig.hub.sleep_until(rig.hub.now_s() + _LOOK_EVERY_S)

    def _do(
        self, job: Job, place: Place, rig: SharedRig, keeper: ThreadKeeper, granted: Claim | None
    ) -> None:
        console = self._console(place)

        def work() -> None:
            if not isinstance(job, RunOrder) or job.station.name != place.name:
                raise RefusedError(NOT_HERE)
            crowded = why_crowded(job.settings, self._order.stations)
            if crowded:
                raise RefusedError(crowded)
            rig.fit_unit(place.name, job.unit_serial)
            backend = rig.backend_of(place.name)
            carry_out(job, backend, keeper, console, granted, rig.berth(place.name))

        tell_failure(work, console)

    def _console(self, place: Place) -> ConsoleEnd:
        line = _OneOfLines(place.line, [each.line for each in self._places])
        return ConsoleEnd(line, place.ring, self._flag)

    def _claim(self) -> Claim:
        wanted = self._order.settings.control
        return claim(
            real_time=wanted.real_time, priority=wanted.priority, lock_memory=wanted.lock_memory
        )


NOT_HERE = (
    "On a bench with several stations at once a plan is run, a fault isolated or a unit worked by "
    "hand, each on its own station. The self-check and the calibration need the rig to themselves: "
    "end the other jobs, then give `halfturn check` or `halfturn calibrate`."
)
