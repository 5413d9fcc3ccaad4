"""The store: runs go in step by step, each on the disk before the call returns."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self
from uuid import UUID

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from rig.analysis.trace import Trace
from rig.quality.calibration import Calibration
from rig.records import calibrations, finding, history, mapping
from rig.records.calibrations import RigCheckRecord
from rig.records.codec import CodecError, unpack
from rig.records.database import open_engine, writing
from rig.records.errors import NotAsWrittenError, RecordsError, told
from rig.records.gauge_records import GaugeRecords, link_run
from rig.records.golden_records import GoldenRecords
from rig.records.in_bulk import checksum_in, whole_runs
from rig.records.joining import joined
from rig.records.lateness import lateness_kept
from rig.records.lot_records import LotRecords, link_lot_run
from rig.records.model import (
    RunEnd,
    RunEvent,
    RunFilter,
    RunRecord,
    RunsFound,
    RunStart,
    RunState,
    RunSummary,
    StepRecord,
    UnitHistory,
)
from rig.records.owner import Owner
from rig.records.tables import EventRow, RunRow, StepRow, TraceRow

__all__ = ["RecordsError", "Store"]


class Store:
    """The records in one SQLite file.

    Every method that writes is one transaction, committed and synced before it returns; if it
    raises RecordsError nothing of it was kept.  Use one store per process; never carry one over a
    fork.  Threads may share it.  ``gauge`` and ``golden`` are the rig's own studies in it,
    ``lots`` the lots judged by a sample.
    """

    def __init__(self, path: Path, engine: Engine) -> None:
        self.path = path
        self._engine = engine
        self._writer = writing(engine)
        self.gauge = GaugeRecords(self._read, self._write)
        self.golden = GoldenRecords(self._read, self._write)
        self.lots = LotRecords(self._read, self._write)

    @classmethod
    def open(cls, path: Path, *, create: bool = True, wait_s: float = 5.0) -> Store:
        """Open the records at ``path``: make them (and their folder), migrate and check them.

        Before older records are migrated a copy is kept beside them.  ``create=False`` refuses a
        file that does not exist.  ``wait_s`` (seconds) is how long a lock is waited for, here and
        later.  Raises RecordsError with a sentence and what to do next.
        """
        return cls(path, open_engine(path, create=create, wait_s=wait_s))

    def close(self) -> None:
        """Close the file; what was committed is safe without.  Idempotent."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    # --- writing ------------------------------------------------------------------------------

    def begin_run(self, start: RunStart) -> UUID:
        """Record that a run is about to feed a unit; return its id."""
        owner = Owner.here()
        made = None if start.calibration is None else start.calibration.calibration
        with self._write("begin a run in") as session:
            row = RunRow(
                unit=finding.unit_for(session, start.unit_serial, start.unit_type),
                plan_name=start.plan_name,
                plan=finding.text_for(session, start.plan_text),
                rig_name=start.rig_name,
                rig=finding.text_for(session, start.rig_text),
                station=start.station,
                operator=start.operator,
                source=start.source,
                reference=start.reference,
                backend=start.backend,
                simulated=start.simulated,
                backend_facts=mapping.plain(start.backend_facts),
                program_version=start.program_version,
                control=start.control,
                calibration_id=None if made is None else made.calibration_id,
                calibration=calibrations.standing_kept(start.calibration),
                golden=None if start.golden is None else mapping.plain(start.golden),
                started_at=start.started_at,
                state=RunState.RUNNING,
                owner_host=owner.host,
                owner_boot=owner.boot,
                owner_space=owner.space,
                owner_pid=owner.pid,
                owner_started=owner.started,
            )
            session.add(row)
            session.flush()
            if start.gauge_trial is not None:
                link_run(session, start.gauge_trial, row)
            if start.lot_item is not None:
                link_lot_run(session, start.lot_item, row)
            return row.id

    def add_event(self, run_id: UUID, event: RunEvent) -> None:
        """Record something that happened during a run."""
        with self._write("add an event to") as session:
            run = finding.find_run(session, run_id)
            if run.bench_id is not None:
                raise RecordsError(
                    f"Run {run_id} was made by another bench, and only that one writes to it. "
                    "Write the note there."
                )
            last = session.scalar(
                select(func.max(EventRow.position)).where(EventRow.run_id == run.id)
            )
            row = EventRow(
                run_id=run.id,
                position=0 if last is None else last + 1,
                at=event.at,
                time_s=event.time_s,
                kind=event.kind,
                text=event.text,
            )
            session.add(row)

    def finish_step(self, run_id: UUID, step: StepRecord) -> None:
        """Record a finished step with everything it found, its trace included."""
        row = mapping.step_row(step)  # packs the trace: before the lock is taken
        with self._write(f"keep step {step.number} in") as session:
            row.run_id = finding.find_run(session, run_id).id
            if finding.has_step(session, run_id, step.number):
                raise RecordsError(
                    f"Step {step.number} of run {run_id} is already recorded; it was left as it is."
                )
            session.add(row)

    def finish_run(self, run_id: UUID, end: RunEnd) -> None:
        """Record how a run ended, with its verdict if it has one."""
        with self._write("end a run in") as session:
            row = finding.find_run(session, run_id)
            if row.state is not RunState.RUNNING and not row.swept:
                raise RecordsError(f"Run {run_id} has already ended ({row.state}).")
            row.state, row.swept = end.state, False
            row.ended_at, row.note = end.ended_at, end.note
            row.feeds_off = end.feeds_off
            row.lateness = lateness_kept(end.lateness)
            if end.judgement is not None:
                row.verdict = end.judgement.verdict
                row.reasons = mapping.reason_rows(end.judgement.reasons)
        self._checkpoint()

    def mark_interrupted(self) -> list[RunSummary]:
        """Mark the runs whose process has died as interrupted; return them.

        Their finished steps stay.  Runs of a process that lives, or of another machine or
        container, are left alone.
        """
        # Looked for without the write lock first: nearly always there is nothing to write.
        with self._read() as session:
            if not _dead_runs(session):
                return []
        with self._write("mark interrupted runs in") as session:
            dead = _dead_runs(session)
            for row in dead:
                _sweep(row)
            session.flush()
            return [mapping.summary(row) for row in dead]

    def at_work(self) -> bool:
        """Tell whether a unit is being tested on this computer, with these records."""
        with self._read() as session:
            host = Owner.here().host
            rows = [row for row in finding.running(session) if row.owner_host == host]
            return any(_owner(row).may_live() for row in rows)

    # --- the rig itself -----------------------------------------------------------------------

    def keep_calibration(self, made: Calibration) -> None:
        """Record a calibration for good, with its raw points."""
        with self._write("keep a calibration in") as session:
            calibrations.need_new(session, made.calibration_id)
            session.add(calibrations.calibration_row(made))

    def calibrations(
        self, *, rig: str | None = None, station: str | None = None
    ) -> tuple[Calibration, ...]:
        """Return the calibrations of a rig and station (or of all), newest first."""
        with self._read() as session:
            return calibrations.find_calibrations(session, rig, station)

    def keep_rig_check(self, check: RigCheckRecord) -> None:
        """Record a self-check of the rig."""
        with self._write("keep a self-check in") as session:
            session.add(calibrations.rig_check_row(check))

    def newest_rig_check(self, rig: str, station: str, *, simulated: bool) -> RigCheckRecord | None:
        """Return the newest self-check of a station, None if there is none."""
        with self._read() as session:
            return calibrations.newest_rig_check(session, rig, station, simulated=simulated)

    # --- reading ------------------------------------------------------------------------------

    def runs(
        self,
        *,
        serial: str | None = None,
        reference: str | None = None,
        verdict: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        plan: str | None = None,
        limit: int | None = 50,
    ) -> list[RunSummary]:
        """Return matching runs, newest first: ``since <= started < until`` (aware times)."""
        wanted = RunFilter(
            serial=serial,
            reference=reference,
            verdict=verdict,
            since=since,
            until=until,
            plan=plan,
        )
        with self._read() as session:
            found = finding.find_runs(session, wanted, limit=limit)
            return finding.summaries(session, found)

    def newest(self) -> datetime | None:
        """Return when this bench's run of the latest date began; None if there is none."""
        with self._read() as session:
            newest = select(func.max(RunRow.started_at)).where(RunRow.bench_id.is_(None))
            return session.scalar(newest)

    def search(self, wanted: RunFilter, *, limit: int = 50, offset: int = 0) -> RunsFound:
        """Return a page of the matching runs, newest first, and how many match in all."""
        with self._read() as session:
            found = finding.find_runs(session, wanted, limit=limit, offset=offset)
            total = finding.count_runs(session, wanted)
            return RunsFound(tuple(finding.summaries(session, found)), total)

    def unit_history(self, run: UUID | str, *, limit: int = 200) -> UnitHistory:
        """Return the newest runs of the unit that ``run`` was made on, without their traces.

        Raises RecordsError if there is no such run.
        """
        with self._read() as session:
            return history.unit_history(session, finding.find_run(session, run), limit=limit)

    def run(self, run: UUID | str, *, with_traces: bool = False) -> RunRecord:
        """Return the run with this id, or the only one whose id starts so.

        Traces are large and left out unless asked for.  Raises RecordsError naming the candidates
        if none or several match.
        """
        with self._read() as session:
            row = finding.find_run(session, run)
            made_by = finding.other_benches(session, [row.id])
            return mapping.run_record(row, with_traces=with_traces, bench=made_by.get(row.id, ""))

    def trace(self, run: UUID | str, step: int | None = None) -> Trace:
        """Return the trace of one step, or of all steps joined in time order."""
        with self._read() as session:
            row = finding.find_run(session, run)
            if step is not None:
                finding.find_step(row, step)
            traces = _traces(session, row, step)
            if not traces:
                what = "No step" if step is None else f"Step {step}"
                has = "has a trace" if step is None else "has no trace"
                raise RecordsError(f"{what} of run {row.id} {has}.")
            try:
                return joined(traces)
            except ValueError as error:
                raise RecordsError(
                    f"Run {row.id} has no single trace: {error}. Ask for one step at a time."
                ) from error

    def has_run(self, run_id: UUID) -> bool:
        """Tell whether there is a run with this id."""
        with self._read() as session:
            return session.get(RunRow, run_id) is not None

    def checksum(self, run: UUID | str) -> str:
        """Return the checksum of a run (see `rig.records.checksum`), traces one after the other.

        A trace that is damaged makes it another; it raises nothing for that.
        """
        with self._read() as session:
            return checksum_in(session, finding.find_run(session, run))

    def whole_runs(self, runs: Sequence[UUID]) -> Iterator[tuple[RunRecord, str]]:
        """Yield ``runs`` without their traces, each with its checksum, in the order asked for.

        Far quicker than one by one.  Raises RecordsError if one of them is not there.
        """
        with self._read() as session:
            count = 0
            for one in whole_runs(session, runs):
                count += 1
                yield one
        if count != len(runs):
            raise RecordsError(f"{len(runs) - count} of {len(runs)} runs are not in these records.")

    # --- whole records, as they cross (`rig.records.transfer`) --------------------------------

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Yield a connection that sees one moment of the records."""
        with self._read() as session:
            yield session.connection()

    @contextmanager
    def taking(self) -> Iterator[Connection]:
        """Yield a connection that writes: one transaction, kept whole or, at an error, not."""
        with self._write("write to") as session:
            yield session.connection()

    # --- helpers ------------------------------------------------------------------------------

    @contextmanager
    def _write(self, doing: str) -> Iterator[Session]:
        with told(self.path, doing), Session(self._writer) as session, session.begin():
            yield session

    @contextmanager
    def _read(self) -> Iterator[Session]:
        try:
            with told(self.path, "read"), Session(self._engine) as session:
                yield session
        except CodecError as error:
            raise RecordsError(
                f"A trace in {self.path} cannot be read: {error}. The rest of the run is intact."
            ) from error
        except (ValueError, LookupError, TypeError, AttributeError) as error:
            # A date that is none, a run without its unit: damage that SQLite does not see.
            raise NotAsWrittenError(
                f"Something in the records in {self.path} is not as halfturn writes it. The file "
                "was left as it is: keep a copy of its folder, and look for the other runs by "
                "their ids (`halfturn records show`)."
            ) from error

    def _checkpoint(self) -> None:
        # Between runs is the idle moment to move the log into the file; a reader may prevent it,
        # and the next time will do.
        with suppress(SQLAlchemyError, sqlite3.Error), self._engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            raw.execute("PRAGMA wal_checkpoint(PASSIVE)").close()


def _dead_runs(session: Session) -> list[RunRow]:
    return [row for row in finding.running(session) if not _owner(row).may_live()]


def _owner(row: RunRow) -> Owner:
    return Owner(row.owner_host, row.owner_boot, row.owner_space, row.owner_pid, row.owner_started)


def _sweep(row: RunRow) -> None:
    last = [step.ended_at for step in row.steps] + [event.at for event in row.events]
    row.state, row.swept = RunState.INTERRUPTED, True
    row.ended_at = max([row.started_at, *last])
    row.feeds_off = False
    row.note = (
        "The program ended without a word: power, a kill or a crash. The end given is the last "
        f"thing recorded; it was noticed at {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC. "
        "Nobody read back that the feeds were off."
    )


def _traces(session: Session, run: RunRow, step: int | None) -> list[Trace]:
    query = select(TraceRow.data).join(StepRow).where(StepRow.run_id == run.id)
    if step is not None:
        query = query.where(StepRow.number == step)
    return [unpack(data) for data in session.scalars(query.order_by(StepRow.number))]
