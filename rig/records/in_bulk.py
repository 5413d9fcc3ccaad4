"""Many whole runs at once, each with its checksum, by few questions for many runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload, selectinload

from rig.records import finding, mapping
from rig.records.checksum import NO_TRACE, checksum_of, trace_sum
from rig.records.codec import CodecError, unpack
from rig.records.model import RunRecord
from rig.records.tables import RunRow, StepRow, TraceRow

_AT_ONCE = 100  # runs in memory with their rows and packed traces: some 10 MB

_WHOLE = (
    joinedload(RunRow.unit),
    joinedload(RunRow.gauge_run),
    joinedload(RunRow.lot_run),
    selectinload(RunRow.plan),
    selectinload(RunRow.rig),
    selectinload(RunRow.calibrated_by),
    selectinload(RunRow.events),
    selectinload(RunRow.reasons),
    selectinload(RunRow.steps).selectinload(StepRow.half_turns),
    selectinload(RunRow.steps).selectinload(StepRow.measures),
)


def whole_runs(session: Session, runs: Sequence[UUID]) -> Iterator[tuple[RunRecord, str]]:
    """Yield the ``runs`` that there are without their traces, each with its checksum.

    In the order asked for.
    """
    for first in range(0, len(runs), _AT_ONCE):
        some = runs[first : first + _AT_ONCE]
        rows = session.scalars(select(RunRow).where(RunRow.id.in_(some)).options(*_WHOLE)).all()
        by_id = {row.id: row for row in rows}
        sums, benches = trace_sums(session, some), finding.other_benches(session, some)
        for run_id in some:
            if run_id in by_id:
                bench = benches.get(run_id, "")
                record = mapping.run_record(by_id[run_id], with_traces=False, bench=bench)
                yield record, checksum_of(record, sums[run_id])
        session.expunge_all()


def trace_sums(session: Session, runs: Sequence[UUID]) -> dict[UUID, dict[int, str]]:
    """Return by run and step the sum of each trace; one that is damaged has a word for it."""
    sums: dict[UUID, dict[int, str]] = defaultdict(dict)
    query = select(StepRow.run_id, StepRow.number, TraceRow.data).join(
        TraceRow, TraceRow.step_id == StepRow.id
    )
    for run_id, number, data in session.execute(query.where(StepRow.run_id.in_(runs))):
        try:
            sums[run_id][number] = trace_sum(unpack(data))
        except CodecError:
            sums[run_id][number] = NO_TRACE
    return sums


def checksum_in(session: Session, row: RunRow) -> str:
    """Return the checksum of a run; a damaged trace makes it another and raises nothing."""
    record = mapping.run_record(row, with_traces=False)
    return checksum_of(record, trace_sums(session, [row.id])[row.id])
