"""Golden units in the records: declared, given new baselines, read with their checks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, tzinfo
from uuid import UUID

from sqlalchemy import ColumnElement, func, select, text
from sqlalchemy.orm import Session, joinedload, selectinload

from rig.labels import shown
from rig.records import finding
from rig.records.calibration_tables import CalibrationRow
from rig.records.errors import RecordsError
from rig.records.gauge_records import Reads, Writes
from rig.records.history import measured
from rig.records.model import RunState, UnitRun
from rig.records.study_model import BaselineKept, GoldenKept, GoldenStart
from rig.records.study_tables import GoldenBaselineRow, GoldenUnitRow
from rig.records.tables import RunRow


class GoldenRecords:
    """The golden units of a store; raises RecordsError like it."""

    def __init__(self, read: Reads, write: Writes) -> None:
        self._read, self._write = read, write

    def declare(self, start: GoldenStart) -> UUID:
        """Keep a golden unit with its first baseline; once only for a plan and a station."""
        with self._write("declare a golden unit in") as session:
            unit = finding.unit_for(session, start.serial, start.unit_type)
            for other in _in_use(session):
                if (other.unit.serial, other.plan_name, other.station) == (
                    start.serial,
                    start.plan_name,
                    start.station,
                ):
                    raise RecordsError(
                        f"{shown(start.serial)} is golden by the plan {other.plan_name} on "
                        f"station {other.station} already. For new limits begin a new baseline."
                    )
            row = GoldenUnitRow(
                unit=unit,
                plan_name=start.plan_name,
                station=start.station,
                baseline=start.baseline,
                measures=list(start.measures),
                declared_at=start.declared_at,
                baselines=[
                    GoldenBaselineRow(
                        position=0,
                        began_at=start.declared_at,
                        reason=start.reason,
                        operator=start.operator,
                    )
                ],
            )
            session.add(row)
            session.flush()
            return row.id

    def in_use(self, station: str | None = None) -> list[GoldenKept]:
        """Return the golden units that are in use (on a station), the oldest first."""
        with self._read() as session:
            return [_golden(row) for row in _in_use(session) if station in (None, row.station)]

    def find(self, serial: str, plan: str | None = None, station: str | None = None) -> GoldenKept:
        """Return the golden unit in use that is meant; RecordsError unless it is one."""
        with self._read() as session:
            return _golden(_need(session, serial, plan, station))

    def new_baseline(self, golden: UUID, at: datetime, reason: str, operator: str) -> None:
        """Have the checks from ``at`` on set new limits; the earlier ones are kept with theirs."""
        with self._write("begin a baseline in") as session:
            row = _row(session, golden)
            row.baselines.append(
                GoldenBaselineRow(
                    position=len(row.baselines), began_at=at, reason=reason, operator=operator
                )
            )

    def withdraw(self, golden: UUID, at: datetime) -> None:
        """Take a golden unit out of use; its checks and charts are kept."""
        with self._write("withdraw a golden unit in") as session:
            _row(session, golden).withdrawn_at = at

    def calibrated_at(self, station: str, *, simulated: bool) -> datetime | None:
        """Return when a station was calibrated last, in the real or a simulated world."""
        with self._read() as session:
            return session.scalar(
                select(func.max(CalibrationRow.made_at)).where(
                    CalibrationRow.bench_id.is_(None),
                    CalibrationRow.station == station,
                    CalibrationRow.simulated == simulated,
                )
            )

    def worlds(self, golden: UUID) -> tuple[bool, ...]:
        """Return in which worlds it has been checked (simulated or not), the real one first."""
        with self._read() as session:
            query = select(RunRow.simulated).where(*_checks_of(_row(session, golden))).distinct()
            return tuple(sorted(session.scalars(query)))

    def checks(
        self,
        golden: UUID,
        number: int | None = None,
        *,
        simulated: bool,
        today: date,
        zone: tzinfo | None = None,
    ) -> tuple[UnitRun, ...]:
        """Return the finished checks of a baseline (the newest) in one world, as measured.

        In the order in which they were recorded: a computer's clock may have been wrong for one.
        So a baseline goes from the first check with a date from its beginning to ``today`` (in
        ``zone``; None: this machine's) to the first of the next.  ``number`` counts from 1.
        """
        with self._read() as session:
            row = _row(session, golden)
            at = len(row.baselines) - 1 if number is None else number - 1
            if not 0 <= at < len(row.baselines):
                raise RecordsError(
                    f"There is no baseline {number} of {shown(row.unit.serial)}: there are "
                    f"{len(row.baselines)}."
                )
            recorded = session.execute(
                select(RunRow.id, RunRow.started_at)
                .where(*_checks_of(row), RunRow.simulated == simulated)
                .order_by(text("runs.rowid"))
            ).all()
            starts = [
                None if dated_ahead(started_at, today, zone) else started_at
                for _, started_at in recorded
            ]
            first, end = _span(starts, [each.began_at for each in row.baselines], at)
            ids = [run_id for run_id, _ in recorded[first:end]]
            query = (
                select(RunRow)
                .where(RunRow.id.in_(ids))
                .options(joinedload(RunRow.unit), joinedload(RunRow.plan))
                .order_by(text("runs.rowid"))
            )
            return measured(session, list(session.scalars(query)))


def dated_ahead(at: datetime, today: date, zone: tzinfo | None = None) -> bool:
    """Tell whether a date lies after ``today``: the computer's clock was ahead."""
    return at.astimezone(zone).date() > today


def _span(
    starts: Sequence[datetime | None], begins: Sequence[datetime], at: int
) -> tuple[int, int]:
    """Return first and end of a baseline among checks as recorded; None: dated ahead."""
    firsts = [
        next((k for k, start in enumerate(starts) if start and start >= began_at), len(starts))
        for began_at in begins
    ]
    return firsts[at], min(firsts[at + 1 :], default=len(starts))


def _checks_of(row: GoldenUnitRow) -> tuple[ColumnElement[bool], ...]:
    return (
        RunRow.bench_id.is_(None),
        RunRow.unit_id == row.unit_id,
        RunRow.plan_name == row.plan_name,
        RunRow.station == row.station,
        RunRow.state == RunState.FINISHED,
    )


def _in_use(session: Session) -> list[GoldenUnitRow]:
    query = (
        select(GoldenUnitRow)
        .where(GoldenUnitRow.withdrawn_at.is_(None), GoldenUnitRow.bench_id.is_(None))
        .options(joinedload(GoldenUnitRow.unit), selectinload(GoldenUnitRow.baselines))
        .order_by(GoldenUnitRow.declared_at)
    )
    return list(session.scalars(query))


def _need(session: Session, serial: str, plan: str | None, station: str | None) -> GoldenUnitRow:
    rows = _in_use(session)
    found = [
        row
        for row in rows
        if row.unit.serial == serial
        and plan in (None, row.plan_name)
        and station in (None, row.station)
    ]
    if len(found) == 1:
        return found[0]
    there = "; ".join(f"{r.unit.serial}, plan {r.plan_name}, station {r.station}" for r in rows)
    if found:
        raise RecordsError(
            f"{shown(serial)} is golden more than once: {there}. Name plan and station too."
        )
    raise RecordsError(
        f"{shown(serial)} is no golden unit. Golden are: {there or 'none yet'}. Declare one with "
        "`halfturn golden declare`."
    )


def _row(session: Session, golden: UUID) -> GoldenUnitRow:
    row = session.get(GoldenUnitRow, golden)
    if row is None:
        raise RecordsError("That golden unit is not in these records (any more). List them again.")
    return row


def _golden(row: GoldenUnitRow) -> GoldenKept:
    if not row.baselines:
        raise ValueError("a golden unit without a baseline")  # told as damage
    return GoldenKept(
        row.id,
        row.unit.serial,
        row.unit.unit_type,
        row.plan_name,
        row.station,
        row.baseline,
        tuple(row.measures),
        row.declared_at,
        row.withdrawn_at,
        tuple(
            BaselineKept(each.position + 1, each.began_at, each.reason, each.operator)
            for each in row.baselines
        ),
    )
