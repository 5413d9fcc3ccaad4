"""The records as the console reads and annotates them, from worker threads only."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from math import nan
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, TypeVar
from uuid import UUID

from rig.analysis.trace import Trace
from rig.records.model import RunEvent, RunFilter, RunRecord, RunsFound, UnitHistory
from rig.records.store import RecordsError, Store

if TYPE_CHECKING:
    from rig.diagnosis.model import Diagnosis
    from rig.records.lot_model import LotKept, LotStart
    from rig.records.lot_records import LotRecords
    from rig.records.study_model import GoldenStart, StudyKept, StudyStart
    from rig.studies.gauge import GaugeResults
    from rig.studies.golden import GoldenState

T = TypeVar("T")

# How long a lock of another program is waited for (s): somebody looks at the screen meanwhile.
WAIT_S = 2.0
# Samples kept for going to and fro between reasons and runs: some 70 bytes each, all columns
# counted.  The trace asked for last is kept however long it is.
KEPT_SAMPLES = 600_000

NO_RECORDS = (
    "No run has been recorded yet. Make one on Bench (F2); it will be found here from its start on."
)


class NoRecordsError(RecordsError):
    """There is no records file yet."""


@dataclass(frozen=True)
class Sorry:
    """Why something could not be had: a sentence with what to do next."""

    text: str


def or_sorry(doing: Callable[[], T]) -> T | Sorry:
    """Return what ``doing`` returns, or why it could not: in a thread nobody else would hear."""
    try:
        return doing()
    except RecordsError as error:
        return Sorry(str(error))
    except Exception as error:
        return Sorry(
            f"Something in the records was not understood ({type(error).__name__}: {error}). The "
            "file was left as it is; try `halfturn records show`, and please report this."
        )


@dataclass
class _Held:
    """A store that is open: of which file, how many threads use it, and whether it is to close."""

    store: Store
    file: tuple[int, int]
    users: int = 0
    given_up: bool = False

    def close_if_idle(self) -> None:
        if self.given_up and not self.users:
            self.store.close()


class RecordsReader:
    """One records file, opened when first asked for.

    Every method blocks, may be called from any thread, and raises RecordsError with a sentence.
    """

    def __init__(self, path: Path, *, wait_s: float = WAIT_S) -> None:
        self.path = path
        self._wait_s = wait_s
        self._lock = Lock()
        self._held: _Held | None = None
        self._traces: OrderedDict[tuple[UUID, int], Trace] = OrderedDict()

    def search(self, wanted: RunFilter, *, limit: int, offset: int = 0) -> RunsFound:
        """Return a page of the matching runs, newest first."""
        with self._open() as store:
            if not offset:
                _mark_interrupted(store)
            return store.search(wanted, limit=limit, offset=offset)

    def run(self, run_id: UUID) -> RunRecord:
        """Return a whole run without its traces."""
        with self._open() as store:
            record = store.run(run_id)
            if record.end is None:
                _mark_interrupted(store)
                record = store.run(run_id)
            return record

    def history(self, run_id: UUID) -> UnitHistory:
        """Return the history of the unit that a run was made on."""
        with self._open() as store:
            return store.unit_history(run_id)

    def trace(self, run_id: UUID, step: int) -> Trace:
        """Return the trace of one finished step."""
        key = (run_id, step)
        with self._lock:
            kept = self._traces.get(key)
            if kept is not None:
                self._traces.move_to_end(key)
                return kept
        with self._open() as store:
            trace = store.trace(run_id, step)
        with self._lock:
            self._traces[key] = trace
            while len(self._traces) > 1 and sum(map(len, self._traces.values())) > KEPT_SAMPLES:
                self._traces.popitem(last=False)
        return trace

    def why(self, run_id: UUID) -> Diagnosis:
        """Return why the unit of a run is as it is, held against good units and earlier runs.

        Raises RecordsError if the run has nothing to work it out from.  Takes seconds.
        """
        # Imported here: the physics is slow to load, and most looks at the records need none.
        from rig.diagnosis.of_record import NothingSeenError, diagnose_stored

        with self._open() as store:
            try:
                return diagnose_stored(store, store.run(run_id))
            except NothingSeenError as error:
                raise RecordsError(str(error)) from None

    def golden(self, station: str | None, every_days: int, *, simulated: bool) -> list[GoldenState]:
        """Return how the rig of one world stands today by its golden units (of a station)."""
        with self._open() as store:
            if not store.golden.in_use(station):
                return []
            from rig.studies.golden import states

            today = datetime.now().astimezone().date()
            return states(
                store.golden, today, simulated=simulated, station=station, every_days=every_days
            )

    def new_baseline(self, golden_id: UUID, reason: str, operator: str) -> None:
        """Have a golden unit's checks from now on set new limits."""
        with self._open() as store:
            store.golden.new_baseline(golden_id, datetime.now(UTC), reason, operator)

    def declare_golden(self, start: GoldenStart) -> UUID:
        """Keep a golden unit, in new records if there are none yet."""
        self._make()
        with self._open() as store:
            return store.golden.declare(start)

    def begin_gauge(self, start: StudyStart) -> str:
        """Keep a gauge study, in new records if there are none yet; return its name."""
        self._make()
        with self._open() as store:
            store.gauge.begin(start)
        return start.name

    def gauge_studies(self) -> list[StudyKept]:
        """Return every gauge study, newest first."""
        with self._open() as store:
            _mark_interrupted(store)
            return store.gauge.all()

    def gauge_results(self, name: str) -> GaugeResults:
        """Return what a gauge study came to so far."""
        from rig.studies.gauge import results_of

        with self._open() as store:
            return results_of(*store.gauge.measured(name))

    def set_aside(self, study: str, position: int, reason: str) -> None:
        """Set the run of a study's trial aside, so that it is made again."""
        with self._open() as store:
            store.gauge.set_aside(study, position, reason)

    def lots(self) -> list[LotKept]:
        """Return every lot, the newest first."""
        with self._open() as store:
            _mark_interrupted(store)
            return store.lots.all()

    def open_lot(self, start: LotStart) -> str:
        """Keep a lot, in new records if there are none yet; return its name."""
        self._make()
        self.of_lots(lambda lots: lots.open(start))
        return start.name

    def of_lots(self, do: Callable[[LotRecords], T]) -> T:
        """Return what ``do`` makes of the lots."""
        with self._open() as store:
            return do(store.lots)

    def add_note(self, run_id: UUID, text: str) -> RunEvent:
        """Write a note into a run that is over; return it as kept."""
        # It was written at no moment of the trace.
        note = RunEvent(datetime.now(UTC), nan, "note", text)
        with self._open() as store:
            store.add_event(run_id, note)
        return note

    def close(self) -> None:
        """Let go of the file, at once or when the threads that read it are done.  Idempotent."""
        with self._lock:
            self._let_go()

    def _make(self) -> None:
        """Make the records file if there is none."""
        if not self.path.exists():
            Store.open(self.path, wait_s=self._wait_s).close()

    @contextmanager
    def _open(self) -> Iterator[Store]:
        with self._lock:
            held = self._opened()
            held.users += 1
        try:
            yield held.store
        except RecordsError:
            with self._lock:
                if self._held is held:
                    self._let_go()  # whatever was wrong with it, the next look starts afresh
            raise
        finally:
            with self._lock:
                held.users -= 1
                held.close_if_idle()

    def _opened(self) -> _Held:
        """Return the store of the file that is there now; another may have taken its place."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            self._let_go()
            raise NoRecordsError(NO_RECORDS) from None
        except OSError as error:
            raise RecordsError(
                f"The records at {self.path} cannot be reached: {error.strerror or error}. Check "
                "the disk and the folder's rights."
            ) from error
        file = (found.st_dev, found.st_ino)
        if self._held is None or file != self._held.file:
            self._let_go()
            store = Store.open(self.path, create=False, wait_s=self._wait_s)
            self._held = _Held(store, file)
        return self._held

    def _let_go(self) -> None:
        held, self._held = self._held, None
        self._traces.clear()
        if held is not None:
            held.given_up = True
            held.close_if_idle()


def _mark_interrupted(store: Store) -> None:
    with suppress(RecordsError):  # an archive that can only be read is shown as it is
        store.mark_interrupted()
