"""The checksum of a run that is kept somewhere, traces read one after the other."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from rig.records import mapping
from rig.records.checksum import NO_TRACE, checksum_of, trace_sum
from rig.records.codec import CodecError, unpack
from rig.records.tables import RunRow, StepRow, TraceRow


def checksum_in(session: Session, row: RunRow) -> str:
    """Return the checksum of a run; a damaged trace makes it another and raises nothing."""
    record = mapping.run_record(row, with_traces=False)
    sums = {step.number: _trace_sum(session, step) for step in row.steps}
    return checksum_of(record, {n: text for n, text in sums.items() if text})


def _trace_sum(session: Session, step: StepRow) -> str:
    data = session.scalar(select(TraceRow.data).where(TraceRow.step_id == step.id))
    try:
        return "" if data is None else trace_sum(unpack(data))
    except CodecError:
        return NO_TRACE
