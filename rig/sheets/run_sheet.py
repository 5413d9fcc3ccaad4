"""One unit's result as a sheet: from its record to what the template shows."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from rig.analysis.model import Direction, HalfTurn, Verdict
from rig.analysis.trace import Trace
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.model import Diagnosis, Topic
from rig.diagnosis.of_record import NothingSeenError, seen_of_record
from rig.diagnosis.words import summary
from rig.plans import Plan
from rig.records.errors import RecordsError
from rig.records.history import PLAIN_STEPS
from rig.records.model import RunRecord, StepRecord
from rig.records.show import SHORT_ID
from rig.records.store import Store
from rig.sheets import words
from rig.sheets.document import Document, common, of_run
from rig.sheets.figures import deciding_turn, stroke_figure, trace_figure
from rig.sheets.letterhead import Letterhead
from rig.sheets.measures import measure_rows, other_measures
from rig.sheets.standing import Standing, standing_of
from rig.sheets.turns import turn_groups

REASONS_MOST = 10
"""So many reasons stand on a sheet; the others are counted."""
DIAGNOSED_MOST = 200
"""Runs with more half-turns are not diagnosed on a sheet: it would take long, `why` does it."""
TRACE_IN, STROKE_IN = 4.45, 2.2
FULL_IN = 6.7
"""Widths on paper: two thirds and one third of the text's less the gap, and all of it."""
FEEDS_BELOW = "Grey bars: battery feed, ignition feed."


def sheet_of(store: Store, record: RunRecord, letterhead: Letterhead, paper: str = "") -> Document:
    """Return the sheet of a run; raises RecordsError if the records cannot be read.

    What it says depends on this run alone, so that it is the same whenever it is printed.
    """
    start, plan = record.start, words.plan_of(record)
    standing = standing_of(record)
    marks = list(standing.marks)
    short = str(record.run_id)[:SHORT_ID]
    when = words.local(start.started_at)
    serial = words.clean(start.unit_serial)
    foot = f"{serial[:40]} · record {short} · {when}"
    measured = _measured(record.steps, plan)
    in_table = {row["measure"] for row in measured["measures"]}
    data = {
        **common(
            f"Test sheet {serial}", f"{when} · record {short}", letterhead, paper, marks, foot
        ),
        **of_run(record, store.checksum(record.run_id)),
        "serial": serial,
        "identity": words.identity(record, plan),
        "standing": standing_data(standing, in_table),
        **measured,
        **_drawn(store, record, plan),
        "turns": turn_groups(record.steps),
        "visual": words.visual_answers(record.steps),
        "steps": words.step_rows(record.steps),
        "notes": words.later_notes(record),
        "rig": words.rig_facts(record),
        "rule": words.UNREADABLE_PLAN
        if plan is None
        else words.decision_rule(plan.decision.as_rule()),
    }
    return Document("sheet", data, letterhead, start.started_at)


def standing_data(standing: Standing, in_table: Collection[str] = ()) -> dict[str, Any]:
    """Return a verdict as the templates show it.

    What speaks for the unit is left out where the table of measures (``in_table``) shows it.
    """
    reasons = [
        reason
        for reason in standing.reasons
        if reason.verdict is not Verdict.PASS or reason.measure not in in_table
    ]
    shown = reasons[:REASONS_MOST]
    return {
        "kind": standing.kind,
        "word": standing.word,
        "sentence": standing.sentence,
        "marks": [mark.word for mark in standing.marks],
        "caution": standing.caution,
        "reasons": [
            {"kind": str(reason.verdict), "text": words.clean(reason.text)} for reason in shown
        ],
        "more": len(reasons) - len(shown),
    }


def _measured(steps: Sequence[StepRecord], plan: Plan | None) -> dict[str, Any]:
    if plan is None:
        return {"measures": [], "others": []}
    limits = plan.analysis_limits()
    return {"measures": measure_rows(steps, limits), "others": other_measures(steps, limits)}


def _drawn(store: Store, record: RunRecord, plan: Plan | None) -> dict[str, Any]:
    found = diagnosis_of(store, record)
    stroke = "" if found is None else stroke_figure(found, STROKE_IN)
    return {
        "trace": run_trace(store, record, plan, TRACE_IN if stroke else FULL_IN),
        "why": [] if found is None else [words.clean(text) for text in _of_unit(found)],
        "stroke": stroke,
        "stroke_caption": "For friction and load, mean of plain half-turns.",
    }


def _of_unit(found: Diagnosis) -> tuple[str, ...]:
    """Return what stands out of the unit; the rig's own fuse is nothing that its traces show."""
    of_unit = tuple(one for one in found.findings if one.topic is not Topic.FUSE)
    return summary(replace(found, findings=of_unit))


def diagnosis_of(store: Store, record: RunRecord) -> Diagnosis | None:
    """Return why the unit is as it is, by this run alone; None where nothing can be told."""
    if sum(len(step.half_turns) for step in record.steps) > DIAGNOSED_MOST:
        return None
    try:
        return diagnose(seen_of_record(record, store.trace))
    except (NothingSeenError, RecordsError):
        return None


def run_trace(
    store: Store, record: RunRecord, plan: Plan | None, width_in: float = FULL_IN
) -> dict[str, str] | None:
    """Return the picture of the half-turn that decided, None without a trace of it."""
    if plan is None:
        return None
    steps = [step for step in record.steps if step.half_turns]
    turns: list[HalfTurn] = [turn for step in steps for turn in step.half_turns]
    end = record.end
    judgement = None if end is None else end.judgement
    turn = deciding_turn(() if judgement is None else judgement.reasons, turns)
    if turn is None:
        return None
    step = next(step for step in steps if turn in step.half_turns)
    with suppress(RecordsError):
        trace = store.trace(record.run_id, step.number)
        if len(trace):
            made = trace_figure(trace, step.half_turns, turn, plan.analysis_limits(), width_in)
            caption = (
                f"Step {step.number}, {words.clean(step.title)}: {made.caption}. {FEEDS_BELOW}"
            )
            return {"svg": made.svg, "caption": caption}
    return None


def middle_trace(store: Store, record: RunRecord, direction: Direction) -> Trace | None:
    """Return the trace of the half-turn of middle time at plain work, its feed change at 0 s."""
    found = [
        (turn.half_turn_s, step.number, turn)
        for step in record.steps
        if step.kind in PLAIN_STEPS
        for turn in step.half_turns
        if turn.direction is direction and turn.half_turn_s is not None
    ]
    if not found:
        return None
    found.sort(key=lambda one: (one[0], one[1]))
    taken_s, number, turn = found[len(found) // 2]
    with suppress(RecordsError):
        whole = store.trace(record.run_id, number)
        part = whole.between(turn.start_s - 0.05, turn.start_s + taken_s + 0.2)
        return replace(part, time_s=part.time_s - turn.start_s) if len(part) else None
    return None
