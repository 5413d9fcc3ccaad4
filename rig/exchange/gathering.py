"""Read the wanted runs a few at a time, with everything that belongs to them, from one moment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from uuid import UUID

from sqlalchemy import Connection, Row, Select, create_engine, select
from sqlalchemy.orm import Session
from sqlalchemy.pool import StaticPool

from rig.exchange.chosen import rows_wanted, runs_wanted
from rig.exchange.fields import Table
from rig.records.bundles import own_bench, versions
from rig.records.calibration_tables import CalibrationRow
from rig.records.database import add_casefold
from rig.records.lot_tables import LotRunRow
from rig.records.mapping import run_record
from rig.records.model import RunFilter, RunRecord
from rig.records.reading import reading
from rig.records.study_tables import GaugeRunRow
from rig.records.tables import Base, RunRow, StepRow, TextRow, TraceRow, UnitRow

RUNS_AT_ONCE = 100
"""Runs in memory at a time: few megabytes, and few enough questions to the file."""

_BELOW_STEPS = ("half_turns", "measures")
_BELOW_RUNS = ("steps", "events", "reasons")
_IN_ORDER = {"steps": "number"}
_tables = Base.metadata.tables


@dataclass(frozen=True)
class Batch:
    """Some runs: their ids in order, and by table the rows that belong to them alone.

    ``records`` are the same runs as the program sees them, without their traces.
    """

    ids: list[UUID]
    rows: dict[str, list[Row[Any]]]
    records: list[RunRecord]


class Source:
    """One moment of a records file."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.own = own_bench(connection).id
        """The bench whose file this is."""

    def written(self, ids: Collection[UUID]) -> dict[UUID, int]:
        """Return how often each of these records was written."""
        counted = versions(self._connection, ids)
        return {each: counted[each].version if each in counted else 1 for each in ids}

    def ids(self, wanted: RunFilter) -> list[UUID]:
        """Return the wanted runs' ids, the oldest first."""
        query = runs_wanted(wanted).order_by(RunRow.started_at, RunRow.id)
        return list(self._connection.scalars(query))

    def batches(self, ids: Sequence[UUID]) -> Iterator[Batch]:
        """Yield the runs, so many at once."""
        for first in range(0, len(ids), RUNS_AT_ONCE):
            yield self._batch(list(ids[first : first + RUNS_AT_ONCE]))

    def others(self, table: Table, wanted: RunFilter) -> Iterator[Sequence[Row[Any]]]:
        """Yield the rows of a table that is not of the runs alone, some thousands at once."""
        kept = _tables[table.name]
        query = select(kept).where(rows_wanted(table.name, wanted)).order_by(*kept.primary_key)
        yield from self._connection.execute(query).partitions(5000)

    def trace(self, step_id: UUID) -> tuple[UUID, bytes] | None:
        """Return key and packed trace of a step, None if it has none."""
        query = select(TraceRow.id, TraceRow.data).where(TraceRow.step_id == step_id)
        found = self._connection.execute(query).first()
        return None if found is None else (found[0], found[1])

    def _batch(self, ids: list[UUID]) -> Batch:
        place = {run_id: at for at, run_id in enumerate(ids)}
        runs = self._rows(select(_tables["runs"]).where(RunRow.id.in_(ids)))
        runs.sort(key=lambda row: place[row.id])
        rows = {"runs": runs}
        for name in _BELOW_RUNS:
            kept = _tables[name]
            found = self._rows(select(kept).where(kept.c.run_id.in_(ids)))
            order = _IN_ORDER.get(name, "position")
            found.sort(key=lambda row: (place[row.run_id], getattr(row, order)))
            rows[name] = found
        step = {row.id: at for at, row in enumerate(rows["steps"])}
        for name in _BELOW_STEPS:
            kept = _tables[name]
            of_runs = kept.c.step_id.in_(select(StepRow.id).where(StepRow.run_id.in_(ids)))
            found = self._rows(select(kept).where(of_runs))
            found.sort(key=lambda row: (step[row.step_id], row.position))
            rows[name] = found
        return Batch(ids, rows, self._records(ids, rows))

    def _rows(self, query: Select[Any]) -> list[Row[Any]]:
        return list(self._connection.execute(query))

    # --- as records -----------------------------------------------------------------------

    def _records(self, ids: list[UUID], rows: dict[str, list[Row[Any]]]) -> list[RunRecord]:
        """Return the runs as `rig.records.mapping` makes them of its rows, which are like these."""
        steps, events, reasons = (by(rows[name], "run_id") for name in _BELOW_RUNS)
        half_turns, measures = (by(rows[name], "step_id") for name in _BELOW_STEPS)
        units = self._by_key(UnitRow.__table__, UnitRow.id, {row.unit_id for row in rows["runs"]})
        texts = {name for row in rows["runs"] for name in (row.plan_sha256, row.rig_sha256)}
        text = self._by_key(TextRow.__table__, TextRow.sha256, texts)
        trials = self._links(select(GaugeRunRow.__table__), ids)
        items = self._links(select(LotRunRow.__table__), ids)
        made = self._calibrations({row.calibration_id for row in rows["runs"]} - {None})
        records = []
        for row in rows["runs"]:
            whole = SimpleNamespace(
                **row._mapping,
                unit=units[row.unit_id],
                plan=text[row.plan_sha256],
                rig=text[row.rig_sha256],
                steps=[
                    SimpleNamespace(
                        **step._mapping,
                        half_turns=half_turns[step.id],
                        measures=measures[step.id],
                        trace=None,
                    )
                    for step in steps[row.id]
                ],
                events=events[row.id],
                reasons=reasons[row.id],
                gauge_run=trials.get(row.id),
                lot_run=items.get(row.id),
                calibrated_by=made.get(row.calibration_id),
            )
            records.append(run_record(cast(RunRow, whole), with_traces=False))
        return records

    def _links(self, query: Select[Any], ids: list[UUID]) -> dict[UUID, Row[Any]]:
        found = self._rows(query.where(query.selected_columns.run_id.in_(ids)))
        return {row.run_id: row for row in found}

    def _by_key(self, table: Any, column: Any, keys: Iterable[Any]) -> dict[Any, Row[Any]]:
        found = self._connection.execute(select(table).where(column.in_(keys)))
        return {row[0]: row for row in found}

    def _calibrations(self, ids: Iterable[UUID]) -> dict[UUID, CalibrationRow]:
        with Session(self._connection) as session:
            query = select(CalibrationRow).where(CalibrationRow.id.in_(ids))
            found = {row.id: row for row in session.scalars(query)}
            for row in found.values():
                for line in row.lines:
                    list(line.points)  # read while there is a session
            session.expunge_all()
            return found


def by(rows: Iterable[Row[Any]], name: str) -> dict[UUID, list[Row[Any]]]:
    """Return rows by one of their keys, in their order."""
    found: dict[UUID, list[Row[Any]]] = defaultdict(list)
    for row in rows:
        found[getattr(row, name)].append(row)
    return found


def _leave(_connection: object) -> None:
    pass


@contextmanager
def source_of(path: Path) -> Iterator[Source]:
    """Yield one moment of a records file at the newest schema, whoever writes to it meanwhile.

    Raises sqlite3.Error, ValueError and LookupError for what cannot be read.
    """
    with reading(path) as raw:
        add_casefold(raw)
        engine = create_engine("sqlite://", creator=lambda: raw, poolclass=StaticPool)
        # SQLAlchemy rolls back when it has met a database, and at the end of a session: both would
        # end the moment.
        engine.dialect.do_rollback = _leave  # type: ignore[assignment,method-assign]
        with engine.connect() as connection:
            yield Source(connection)
