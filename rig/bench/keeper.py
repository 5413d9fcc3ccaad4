"""Ways to the record: at once, or through a writer thread of its own."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from threading import Thread, current_thread
from types import TracebackType
from typing import Any, TypeVar
from uuid import UUID

from rig.bench.seams import Done, Said
from rig.quality.calibration import Calibration
from rig.records.calibrations import RigCheckRecord
from rig.records.errors import RecordsError
from rig.records.model import RunEnd, RunEvent, RunStart, StepRecord
from rig.records.store import Store

Kept = TypeVar("Kept")


def _on_disk() -> bool:
    return True


def _golden_of(
    store: Store, station: str, serial: str, plan: str, every_days: int, *, simulated: bool
) -> Said:
    if not store.golden.in_use(station):
        return None
    # Imported here: most rigs have no golden unit, and its charts need numbers' libraries.
    from rig.studies.golden import said_at_start

    today = datetime.now().astimezone().date()
    return said_at_start(
        store.golden, station, serial, plan, today, every_days, simulated=simulated
    )


class DirectKeeper:
    """Writes while the bench stands still: for virtual time, where waiting costs none."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def newest(self) -> datetime | None:
        """Return when the newest run of the record began."""
        return self._store.newest()

    def calibrations(self, rig: str, station: str) -> tuple[Calibration, ...]:
        """Return the calibrations of a station, newest first."""
        return self._store.calibrations(rig=rig, station=station)

    def keep_calibration(self, made: Calibration) -> Done:
        """Write a calibration."""
        self._store.keep_calibration(made)
        return _on_disk

    def keep_rig_check(self, check: RigCheckRecord) -> Done:
        """Write a self-check."""
        self._store.keep_rig_check(check)
        return _on_disk

    def golden(
        self, station: str, serial: str, plan: str, every_days: int, *, simulated: bool
    ) -> Said:
        """Return what the golden units say today of the rig of this world."""
        return _golden_of(self._store, station, serial, plan, every_days, simulated=simulated)

    def begin_run(self, start: RunStart) -> UUID:
        """Write the run's first row."""
        return self._store.begin_run(start)

    def add_event(self, run_id: UUID, event: RunEvent) -> Done:
        """Write an event."""
        self._store.add_event(run_id, event)
        return _on_disk

    def finish_step(self, run_id: UUID, step: StepRecord) -> Done:
        """Write a finished step."""
        self._store.finish_step(run_id, step)
        return _on_disk

    def finish_run(self, run_id: UUID, end: RunEnd) -> Done:
        """Write how the run ended."""
        self._store.finish_run(run_id, end)
        return _on_disk


class ThreadKeeper:
    """Writes in a thread of its own, so that a slow disk never holds up the control loop.

    An error while writing is raised by the ``Done`` function that asks for it.  Closing waits
    for everything handed over.  ``wait`` returns when what it is given says so, other stations
    going on meanwhile; without it answers are waited for as they come.
    """

    def __init__(self, path: Path, wait: Callable[[Done], None] | None = None) -> None:
        self._wait = wait
        self._writer: Thread | None = None
        self._pool = ThreadPoolExecutor(
            1, thread_name_prefix="records", initializer=self._note_writer
        )
        self._events: dict[UUID, list[Future[None]]] = {}  # by run, in the order they came
        try:
            self._store = self._pool.submit(Store.open, path).result()
        except BaseException:
            self._pool.shutdown()
            raise

    def _note_writer(self) -> None:
        self._writer = current_thread()

    def _is_done(self, future: Future[Any]) -> bool:
        """Tell whether ``future`` is; raises RecordsError if nobody is left to do it."""
        writer = self._writer
        gone = writer is not None and not writer.is_alive()  # asked first: it may just be through
        if future.done():
            return True
        if gone:
            raise RecordsError(
                "The part of the program that writes the records has failed, as it does without "
                "memory. What it had not written is lost. Close other programs, then start again."
            )
        return False

    def newest(self) -> datetime | None:
        """Return when the newest run of the record began."""
        return self._answer(self._pool.submit(self._store.newest))

    def calibrations(self, rig: str, station: str) -> tuple[Calibration, ...]:
        """Return the calibrations of a station, newest first; nothing is fed before."""
        store = self._store
        return self._answer(self._pool.submit(lambda: store.calibrations(rig=rig, station=station)))

    def keep_calibration(self, made: Calibration) -> Done:
        """Hand a calibration over."""
        return self._when_done(self._pool.submit(self._store.keep_calibration, made))

    def keep_rig_check(self, check: RigCheckRecord) -> Done:
        """Hand a self-check over."""
        return self._when_done(self._pool.submit(self._store.keep_rig_check, check))

    def golden(
        self, station: str, serial: str, plan: str, every_days: int, *, simulated: bool
    ) -> Said:
        """Return what the golden units say today of the rig of this world."""
        args = (self._store, station, serial, plan, every_days)
        return self._answer(self._pool.submit(_golden_of, *args, simulated=simulated))

    def begin_run(self, start: RunStart) -> UUID:
        """Write the run's first row and wait for it: nothing is fed before."""
        return self._answer(self._pool.submit(self._store.begin_run, start))

    def add_event(self, run_id: UUID, event: RunEvent) -> Done:
        """Hand an event over; its failure surfaces with whatever of its run is asked for next."""
        future = self._pool.submit(self._store.add_event, run_id, event)
        self._events.setdefault(run_id, []).append(future)
        return self._when_done(future, run_id)

    def finish_step(self, run_id: UUID, step: StepRecord) -> Done:
        """Hand a finished step over."""
        return self._when_done(self._pool.submit(self._store.finish_step, run_id, step), run_id)

    def finish_run(self, run_id: UUID, end: RunEnd) -> Done:
        """Hand the run's end over."""
        return self._when_done(self._pool.submit(self._store.finish_run, run_id, end), run_id)

    def _answer(self, future: Future[Kept]) -> Kept:
        if self._wait is not None:
            self._wait(lambda: self._is_done(future))
        return future.result()

    def _when_done(self, future: Future[None], run_id: UUID | None = None) -> Done:
        def done() -> bool:
            events = self._events.get(run_id, []) if run_id is not None else []
            while events and events[0].done():
                events.pop(0).result()
            if not self._is_done(future):
                return False
            future.result()
            return True

        return done

    def __enter__(self) -> ThreadKeeper:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._pool.submit(self._store.close)
        self._pool.shutdown()
