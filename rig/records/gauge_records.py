"""Gauge studies in the records: set up, gone on with, read."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from rig.labels import shown
from rig.records import finding
from rig.records.errors import RecordsError
from rig.records.history import measured
from rig.records.model import UnitRun
from rig.records.study_model import StudyKept, StudyStart, TrialKept, TrialRun
from rig.records.study_tables import GaugeRunRow, GaugeStudyRow, GaugeTrialRow
from rig.records.tables import RunRow

Reads = Callable[[], AbstractContextManager[Session]]
Writes = Callable[[str], AbstractContextManager[Session]]

_OWN = GaugeStudyRow.bench_id.is_(None)  # another bench's studies are not gone on with here


class GaugeRecords:
    """The gauge studies of a store; raises RecordsError like it."""

    def __init__(self, read: Reads, write: Writes) -> None:
        self._read, self._write = read, write

    def begin(self, start: StudyStart) -> UUID:
        """Keep a study with its order; its name must be new."""
        with self._write("begin a gauge study in") as session:
            if _named(session, start.name) is not None:
                raise RecordsError(
                    f"There is a gauge study “{shown(start.name)}” already; it was left as it is. "
                    "Go on with it, or choose another name."
                )
            row = GaugeStudyRow(
                name=start.name,
                plan_name=start.plan_name,
                plan=finding.text_for(session, start.plan_text),
                station=start.station,
                began_at=start.began_at,
                seed=start.seed,
                note=start.note,
                trials=[
                    GaugeTrialRow(
                        position=position,
                        part=planned.part,
                        operator=planned.operator,
                        trial=planned.trial,
                    )
                    for position, planned in enumerate(start.trials)
                ],
            )
            session.add(row)
            session.flush()
            return row.id

    def all(self) -> list[StudyKept]:
        """Return every study, newest first."""
        with self._read() as session:
            query = (
                select(GaugeStudyRow)
                .where(_OWN)
                .options(*_WHOLE)
                .order_by(GaugeStudyRow.began_at.desc())
            )
            return [_study(row) for row in session.scalars(query).unique()]

    def study(self, name: str) -> StudyKept:
        """Return the study called ``name``."""
        with self._read() as session:
            return _study(_need(session, name))

    def measured(self, name: str) -> tuple[StudyKept, dict[UUID, UnitRun]]:
        """Return a study, and by trial what the runs that count measured."""
        with self._read() as session:
            study = _study(_need(session, name))
            trial_of = {t.run.run_id: t.trial_id for t in study.trials if t.run is not None}
            query = (
                select(RunRow)
                .where(RunRow.id.in_(trial_of))
                .options(joinedload(RunRow.unit), joinedload(RunRow.plan))
            )
            runs = measured(session, list(session.scalars(query)))
            return study, {trial_of[run.summary.run_id]: run for run in runs}

    def set_aside(self, name: str, position: int, reason: str) -> TrialKept:
        """Set the run aside that counts for a trial (by its place, from 1), so that it is repeated.

        The run stays in the records, and in the study with the reason.
        """
        with self._write("set a run aside in") as session:
            row = _need(session, name)
            trials = [trial for trial in row.trials if trial.position == position - 1]
            if not trials:
                raise RecordsError(
                    f"The study “{shown(name)}” has no trial {position}: it has {len(row.trials)}."
                )
            counting = _trial(trials[0]).run
            if counting is None:
                raise RecordsError(
                    f"Trial {position} of “{shown(name)}” has no run that counts; it is still to "
                    "be made."
                )
            for run in trials[0].runs:
                if run.run_id == counting.run_id:
                    run.set_aside = reason
            session.flush()
            return _trial(trials[0])


_WHOLE = (
    joinedload(GaugeStudyRow.plan),
    selectinload(GaugeStudyRow.trials).selectinload(GaugeTrialRow.runs).joinedload(GaugeRunRow.run),
)


def link_run(session: Session, trial: UUID, run: RunRow) -> None:
    """Take a run that begins for the one of a trial."""
    if session.get(GaugeTrialRow, trial) is None:
        raise RecordsError(
            "The gauge study that this run was meant for is not in these records (any more), so it "
            "was not begun. Begin it from the study anew."
        )
    session.add(GaugeRunRow(trial_id=trial, run_id=run.id, set_aside=""))


def _named(session: Session, name: str) -> GaugeStudyRow | None:
    return session.scalar(select(GaugeStudyRow).where(_OWN, GaugeStudyRow.name == name))


def _need(session: Session, name: str) -> GaugeStudyRow:
    row = _named(session, name)
    if row is None:
        newest = select(GaugeStudyRow.name).where(_OWN).order_by(GaugeStudyRow.began_at.desc())
        names = session.scalars(newest.limit(5)).all()
        there = ", ".join(names) if names else "none yet"
        raise RecordsError(
            f"There is no gauge study “{shown(name)}” in these records. There is: {there}."
        )
    return row


def _study(row: GaugeStudyRow) -> StudyKept:
    return StudyKept(
        row.id,
        row.name,
        row.plan_name,
        row.plan.text,
        row.station,
        row.began_at,
        row.seed,
        row.note,
        tuple(_trial(trial) for trial in row.trials),
    )


def _trial(row: GaugeTrialRow) -> TrialKept:
    runs = sorted(row.runs, key=lambda run: run.run.started_at)
    return TrialKept(
        row.id,
        row.position + 1,
        row.part,
        row.operator,
        row.trial,
        tuple(
            TrialRun(
                each.run_id,
                each.run.started_at,
                each.run.operator,
                each.run.state,
                None if each.run.verdict is None else str(each.run.verdict),
                each.set_aside,
            )
            for each in runs
        ),
    )
