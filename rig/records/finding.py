"""Find runs and units in the records."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session, contains_eager, selectinload

from rig.analysis.model import Verdict
from rig.labels import shown
from rig.records import mapping
from rig.records.bench_tables import BenchRow
from rig.records.bundles import named
from rig.records.errors import RecordsError
from rig.records.model import OF_ISOLATION, RunFilter, RunState, RunSummary, isolation_of
from rig.records.tables import RunRow, StepRow, TextRow, UnitRow

_NAMED = 5  # candidates listed for an ambiguous prefix: a screen's worth, not the whole record


def find_runs(
    session: Session, wanted: RunFilter, *, limit: int | None, offset: int = 0
) -> list[RunRow]:
    """Return matching runs, newest first, at most ``limit`` from the ``offset``-th on."""
    query = (
        select(RunRow)
        .join(RunRow.unit)
        .options(contains_eager(RunRow.unit))
        .where(*conditions(wanted))
        .order_by(RunRow.started_at.desc(), RunRow.id)
    )
    return list(session.scalars(query.limit(limit).offset(offset)))


def count_runs(session: Session, wanted: RunFilter) -> int:
    """Return how many runs match."""
    query = select(func.count(RunRow.id)).join(RunRow.unit).where(*conditions(wanted))
    return session.scalar(query) or 0


def summaries(session: Session, rows: Sequence[RunRow]) -> list[RunSummary]:
    """Return the lines of runs in a list, those of isolations with what they came to."""
    steps = (
        select(StepRow.run_id, StepRow.kind, StepRow.answers)
        .where(StepRow.run_id.in_([row.id for row in rows]), StepRow.kind.in_(OF_ISOLATION))
        .order_by(StepRow.number)
    )
    of_run: dict[UUID, list[tuple[str, dict[str, Any]]]] = {}
    for run_id, kind, answers in session.execute(steps):
        of_run.setdefault(run_id, []).append((kind, answers))
    made_by = other_benches(session, [row.id for row in rows])
    return [
        mapping.summary(row, isolation_of(of_run.get(row.id, ())), made_by.get(row.id, ""))
        for row in rows
    ]


def other_benches(session: Session, runs: Sequence[UUID]) -> dict[UUID, str]:
    """Return by run the bench that made it, for those that this one did not make."""
    query = (
        select(RunRow.id, BenchRow.name, BenchRow.id)
        .join(BenchRow, RunRow.bench_id == BenchRow.id)
        .where(RunRow.id.in_(runs))
    )
    return {run: named(name, key) for run, name, key in session.execute(query)}


def conditions(wanted: RunFilter) -> Iterator[ColumnElement[bool]]:
    """Yield what a run (joined to its unit) must fulfil."""
    for column, value, part in (
        (UnitRow.serial, wanted.serial, wanted.serial_part),
        (RunRow.reference, wanted.reference, wanted.reference_part),
        (RunRow.plan_name, wanted.plan, wanted.plan_part),
    ):
        if value is not None:
            yield column == value
        if part is not None:
            yield func.instr(func.casefold(column), part.casefold()) > 0
    if wanted.verdict is not None:
        yield RunRow.verdict == _verdict(wanted.verdict)
    if wanted.unjudged:
        yield RunRow.verdict.is_(None)
    if wanted.since is not None:
        yield RunRow.started_at >= _aware(wanted.since)
    if wanted.until is not None:
        yield RunRow.started_at < _aware(wanted.until)


def _aware(when: datetime) -> datetime:
    if when.tzinfo is None:
        raise RecordsError(
            f"Runs cannot be looked for by “{when}”: it has no time zone, so which moment it means "
            "is not known. Give the time with its zone."
        )
    return when


def _verdict(text: str) -> Verdict:
    try:
        return Verdict(text)
    except ValueError:
        allowed = ", ".join(verdict.value for verdict in Verdict)
        raise RecordsError(
            f"There is no verdict “{shown(text)}”; choose one of {allowed}."
        ) from None


def find_run(session: Session, run: UUID | str) -> RunRow:
    """Return the run with this id, or whose id alone starts so; RecordsError otherwise."""
    if isinstance(run, UUID):
        found = session.get(RunRow, run)
        if found is None:
            raise RecordsError(f"There is no run {run} in these records. {_newest(session)}")
        return found
    return _by_prefix(session, run)


def _by_prefix(session: Session, prefix: str) -> RunRow:
    digits = prefix.strip().lower().replace("-", "")
    if not digits or len(digits) > 32 or set(digits) - set("0123456789abcdef"):
        raise RecordsError(
            f"“{shown(prefix)}” is not the start of a run's id (digits 0-9 and letters a-f). "
            "`halfturn records list` shows their ids."
        )
    low, high = UUID(digits.ljust(32, "0")), UUID(digits.ljust(32, "f"))
    query = select(RunRow).where(RunRow.id.between(low, high)).order_by(RunRow.started_at.desc())
    found = list(session.scalars(query.limit(_NAMED + 1)))
    if not found:
        raise RecordsError(f"No run's id starts with “{prefix}”. {_newest(session)}")
    if len(found) > 1:
        more = " and more" if len(found) > _NAMED else ""
        raise RecordsError(
            f"Several runs' ids start with “{prefix}”: {_named(found[:_NAMED])}{more}. "
            "Give more of the id."
        )
    return found[0]


def _newest(session: Session) -> str:
    query = select(RunRow).order_by(RunRow.started_at.desc()).limit(_NAMED)
    rows = list(session.scalars(query))
    return f"The newest are {_named(rows)}." if rows else "There are no runs in these records yet."


def _named(rows: list[RunRow]) -> str:
    return ", ".join(
        f"{row.id} ({row.unit.serial}, {row.started_at:%Y-%m-%d %H:%M} UTC)" for row in rows
    )


def find_step(run: RunRow, number: int) -> StepRow:
    """Return step ``number`` of a run; RecordsError naming the steps there are."""
    for step in run.steps:
        if step.number == number:
            return step
    there = ", ".join(str(step.number) for step in run.steps) or "none"
    raise RecordsError(f"Run {run.id} has no finished step {number}; its steps: {there}.")


def has_step(session: Session, run_id: UUID, number: int) -> bool:
    """Return whether step ``number`` of a run is already recorded."""
    query = select(StepRow.id).where(StepRow.run_id == run_id, StepRow.number == number)
    return session.scalar(query) is not None


def running(session: Session) -> list[RunRow]:
    """Return this bench's own runs that nobody has ended."""
    running = RunRow.state == RunState.RUNNING, RunRow.bench_id.is_(None)
    query = select(RunRow).where(*running).order_by(RunRow.started_at)
    return list(session.scalars(query.options(selectinload(RunRow.unit))))


def unit_for(session: Session, serial: str, unit_type: str) -> UnitRow:
    """Return the unit of this serial number and type, new if need be."""
    query = select(UnitRow).where(UnitRow.serial == serial, UnitRow.unit_type == unit_type)
    return session.scalar(query) or UnitRow(serial=serial, unit_type=unit_type)


def text_for(session: Session, text: str) -> TextRow:
    """Return the kept copy of a text, new if need be."""
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    row = session.get(TextRow, sha256)
    if row is None:
        row = TextRow(sha256=sha256, text=text)
        session.add(row)
    return row
