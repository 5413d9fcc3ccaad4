"""The history of one unit: its runs with what they measured, and no traces."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import fields
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session, contains_eager, joinedload

from rig.analysis.model import HalfTurn, Measure
from rig.records.finding import summaries
from rig.records.model import UnitHistory, UnitRun
from rig.records.tables import HalfTurnRow, MeasureRow, RunRow, StepRow

# Steps whose half-turns are the unit's plain work, so that those of different runs compare: no
# weight on the lever, no lock, no lowered supply, no foreign relay.
PLAIN_STEPS = ("half_turns", "park_check", "endurance")

_FIELDS = tuple(field.name for field in fields(HalfTurn))


def unit_history(session: Session, run: RunRow, *, limit: int) -> UnitHistory:
    """Return the newest runs of the unit that ``run`` was made on."""
    of_unit = RunRow.unit_id == run.unit_id
    query = (
        select(RunRow)
        .join(RunRow.unit)
        .options(contains_eager(RunRow.unit), joinedload(RunRow.plan))
        .where(of_unit)
        .order_by(RunRow.started_at.desc(), RunRow.id)
        .limit(limit)
    )
    return UnitHistory(
        serial=run.unit.serial,
        unit_type=run.unit.unit_type,
        runs=measured(session, list(session.scalars(query))),
        total=session.scalar(select(func.count()).select_from(RunRow).where(of_unit)) or 0,
    )


def measured(session: Session, rows: Sequence[RunRow]) -> tuple[UnitRun, ...]:
    """Return runs with what they measured, in the order of ``rows``."""
    ids = [row.id for row in rows]
    half_turns, measures = _half_turns(session, ids), _measures(session, ids)
    return tuple(
        UnitRun(
            line,
            row.plan.text,
            tuple(half_turns.get(row.id, ())),
            tuple(measures.get(row.id, ())),
        )
        for row, line in zip(rows, summaries(session, rows), strict=True)
    )


def _half_turns(session: Session, runs: Sequence[UUID]) -> dict[UUID, list[HalfTurn]]:
    # Columns, not rows of the mapper: an endurance run has hundreds of half-turns.
    query = (
        select(StepRow.run_id, *(getattr(HalfTurnRow, name) for name in _FIELDS))
        .join(HalfTurnRow, HalfTurnRow.step_id == StepRow.id)
        .where(StepRow.run_id.in_(runs), StepRow.kind.in_(PLAIN_STEPS))
        .order_by(StepRow.number, HalfTurnRow.position)
    )
    found: dict[UUID, list[HalfTurn]] = defaultdict(list)
    for run_id, *values in session.execute(query):
        found[run_id].append(HalfTurn(*values))
    return found


def _measures(session: Session, runs: Sequence[UUID]) -> dict[UUID, list[Measure]]:
    query = (
        select(StepRow.run_id, MeasureRow.name, MeasureRow.value, MeasureRow.unit, MeasureRow.u)
        .join(MeasureRow, MeasureRow.step_id == StepRow.id)
        .where(StepRow.run_id.in_(runs))
        .order_by(StepRow.number, MeasureRow.position)
    )
    found: dict[UUID, list[Measure]] = defaultdict(list)
    for run_id, name, value, unit, u in session.execute(query):
        found[run_id].append(Measure(name, value, unit, u))
    return found
