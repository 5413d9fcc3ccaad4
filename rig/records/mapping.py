"""Between the dataclasses of ``rig.records.model`` and the rows of ``rig.records.tables``."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from rig.analysis.model import HalfTurn, Judgement, Measure, Reason
from rig.records.calibrations import standing_read
from rig.records.codec import pack, unpack
from rig.records.lateness import lateness_read
from rig.records.model import (
    IsolationCame,
    RunEnd,
    RunEvent,
    RunRecord,
    RunStart,
    RunState,
    RunSummary,
    StepRecord,
)
from rig.records.tables import (
    HalfTurnRow,
    MeasureRow,
    ReasonRow,
    RunRow,
    StepRow,
    TraceRow,
)

_HALF_TURN_FIELDS = tuple(field.name for field in fields(HalfTurn))


# --- to rows ----------------------------------------------------------------------------------


def step_row(step: StepRecord) -> StepRow:
    """Return the rows of a finished step, trace packed."""
    trace = step.trace
    return StepRow(
        number=step.number,
        kind=step.kind,
        title=step.title,
        started_at=step.started_at,
        ended_at=step.ended_at,
        state=step.state,
        answers=plain(step.answers),
        note=step.note,
        held=step.held,
        half_turns=[
            HalfTurnRow(
                position=position,
                **{name: _plain(getattr(half_turn, name)) for name in _HALF_TURN_FIELDS},
            )
            for position, half_turn in enumerate(step.half_turns)
        ],
        measures=[
            MeasureRow(
                position=position,
                name=measure.name,
                value=_plain(measure.value),
                unit=measure.unit,
                u=_plain(measure.u),
            )
            for position, measure in enumerate(step.measures)
        ],
        trace=None if trace is None else TraceRow(samples=len(trace), data=pack(trace)),
    )


def reason_rows(reasons: Iterable[Reason]) -> list[ReasonRow]:
    """Return the rows of a verdict's reasons, in their order."""
    return [
        ReasonRow(
            position=position,
            verdict=reason.verdict,
            text=reason.text,
            measure=reason.measure,
            half_turn=reason.half_turn,
        )
        for position, reason in enumerate(reasons)
    ]


def plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return ``values`` as JSON can hold them; what JSON does not know becomes its text.

    An odd answer must never cost the step it belongs to.
    """
    made: dict[str, Any] = json.loads(json.dumps(dict(values), default=_json_value))
    return made


def _json_value(value: Any) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    return value.tolist() if hasattr(value, "tolist") else str(value)  # numpy has tolist


def _plain(value: Any) -> Any:
    # numpy's scalars are no numbers to SQLite
    return value.item() if hasattr(value, "item") else value


# --- from rows --------------------------------------------------------------------------------


def summary(row: RunRow, isolation: IsolationCame | None = None, bench: str = "") -> RunSummary:
    """Return a run's line in a list; ``bench``: of another one."""
    return RunSummary(
        run_id=row.id,
        started_at=row.started_at,
        unit_serial=row.unit.serial,
        plan_name=row.plan_name,
        state=row.state,
        verdict=row.verdict,
        operator=row.operator,
        reference=row.reference,
        simulated=row.simulated,
        isolation=isolation,
        bench=bench,
    )


def run_record(row: RunRow, *, with_traces: bool, bench: str = "") -> RunRecord:
    """Return a whole run; ``bench``: of another one."""
    return RunRecord(
        run_id=row.id,
        start=_run_start(row),
        steps=tuple(_step_record(step, with_trace=with_traces) for step in row.steps),
        events=tuple(RunEvent(e.at, e.time_s, e.kind, e.text) for e in row.events),
        end=_run_end(row),
        bench=bench,
    )


def _run_start(row: RunRow) -> RunStart:
    return RunStart(
        started_at=row.started_at,
        unit_serial=row.unit.serial,
        unit_type=row.unit.unit_type,
        plan_name=row.plan_name,
        plan_text=row.plan.text,
        rig_name=row.rig_name,
        rig_text=row.rig.text,
        station=row.station,
        operator=row.operator,
        source=row.source,
        reference=row.reference,
        backend=row.backend,
        simulated=row.simulated,
        backend_facts=row.backend_facts,
        program_version=row.program_version,
        control=row.control,
        golden=row.golden,
        gauge_trial=None if row.gauge_run is None else row.gauge_run.trial_id,
        lot_item=None if row.lot_run is None else row.lot_run.item_id,
        calibration=standing_read(row.calibration, row.calibrated_by, simulated=row.simulated),
    )


def _run_end(row: RunRow) -> RunEnd | None:
    if row.state is RunState.RUNNING or row.ended_at is None:
        return None
    reasons = tuple(Reason(r.verdict, r.text, r.measure, r.half_turn) for r in row.reasons)
    return RunEnd(
        ended_at=row.ended_at,
        state=row.state,
        judgement=None if row.verdict is None else Judgement(row.verdict, reasons),
        feeds_off=bool(row.feeds_off),
        note=row.note,
        swept=row.swept,
        lateness=lateness_read(row.lateness),
    )


def _step_record(row: StepRow, *, with_trace: bool) -> StepRecord:
    return StepRecord(
        number=row.number,
        kind=row.kind,
        title=row.title,
        started_at=row.started_at,
        ended_at=row.ended_at,
        state=row.state,
        measures=tuple(Measure(m.name, m.value, m.unit, m.u) for m in row.measures),
        half_turns=tuple(
            HalfTurn(**{name: getattr(half_turn, name) for name in _HALF_TURN_FIELDS})
            for half_turn in row.half_turns
        ),
        trace=unpack(row.trace.data) if with_trace and row.trace else None,
        answers=row.answers,
        note=row.note,
        held=row.held,
    )
