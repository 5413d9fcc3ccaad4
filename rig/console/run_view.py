"""A run as the verdict tells it: from the record, or from what the bench told while it ran."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

from rig.analysis.model import Judgement, Limits, Verdict
from rig.bench.order import ByHandOrder, RunOrder
from rig.console.lever import MIDWAY, may_have_fed, stands_midway
from rig.console.live_job import Live
from rig.console.passage import StepFound
from rig.console.verdict_rows import Row, cause_of, reason_rows, turn_rows
from rig.isolation.words import NOT_SURE
from rig.labels import number_of
from rig.plans import Plan, PlanError, plan_from_text
from rig.quality.calibration import Standing
from rig.quality.calibration_words import standing_line
from rig.records.golden_said import golden_words
from rig.records.model import AGAIN, RunEvent, RunRecord, RunState, Source, StepState

_STATES = {
    RunState.RUNNING: "still running",
    RunState.FINISHED: "finished",
    RunState.STOPPED: "stopped by the operator",
    RunState.INTERRUPTED: "interrupted",
}
# Of what the bench told about itself, what a verdict should be read with.
_SHOWN = ("seed", "faults", "chip", "kernel")


@dataclass(frozen=True)
class RunView:
    """What there is to say of a run.

    ``limits`` and ``plan_steps`` (how many the plan has) are None if it cannot be read any more.

    ``died``: its program did, so what was on after the last step is not known; ``may_have_fed``:
    the cautions were accepted, before which nothing is fed.

    ``notes`` are what was written into it, oldest first; ``reason_rows`` and ``turn_rows`` what to
    walk through.  ``started`` and ``ended`` are None where only the bench's own news is known.
    ``made_by`` names the bench, if it is not the one whose records these are.
    """

    run_id: UUID | None
    serial: str
    unit_type: str
    plan_name: str
    plan_title: str
    source: Source
    reference: str
    operator: str
    station: str
    simulated: bool
    by_hand: bool
    state: RunState
    judgement: Judgement | None
    feeds_off: bool | None
    end_note: str
    steps: Sequence[StepFound]
    limits: Limits | None
    plan_steps: int | None = None
    died: bool = False
    may_have_fed: bool = True
    backend: str = ""
    started: datetime | None = None
    ended: datetime | None = None
    notes: tuple[RunEvent, ...] = ()
    reason_rows: Sequence[Row] = ()
    turn_rows: Sequence[Row] = ()
    calibration: Standing | None = None
    golden: Mapping[str, Any] | None = None
    made_by: str = ""

    @property
    def recorded(self) -> bool:
        """Tell whether this is the run as recorded: its steps have the record's numbers."""
        return self.started is not None

    @property
    def state_words(self) -> str:
        """How the run ended, in words."""
        if self.state is RunState.FINISHED and self.tripped:
            return "ended by the guard"
        return _STATES.get(self.state, self.state)

    @property
    def tripped(self) -> bool:
        """Tell whether the guard ended the run: what the unit did counts."""
        reasons = self.judgement.reasons if self.judgement else ()
        return any(reason.measure == "guard" for reason in reasons)

    @property
    def left_in_step(self) -> int | None:
        """The plan's step in which the run ended before the plan did; None if it did not."""
        cut = self.tripped or self.state in (RunState.STOPPED, RunState.INTERRUPTED)
        if self.by_hand or not cut:
            return None
        return sum(not step.title.endswith(AGAIN) for step in self.steps)

    @property
    def cut_short(self) -> bool:
        """Tell whether the step that is known last was cut short."""
        return bool(self.steps) and self.steps[-1].state is StepState.CUT_SHORT

    @property
    def lever_words(self) -> str:
        """What is to be known of where the lever stands; empty if it parked."""
        midway = stands_midway(turn for step in self.steps for turn in step.half_turns)
        return MIDWAY if midway or (self.died and self.may_have_fed) else ""

    @property
    def feeds_words(self) -> str:
        """Whether the feeds are known to be off since, in words."""
        if self.feeds_off is None:
            return "feeds not known"
        return "feeds read back off" if self.feeds_off else "feeds NOT read back off"


def view_of_record(record: RunRecord) -> RunView:
    """Return a run as recorded."""
    start, end = record.start, record.end
    plan = _plan(start.plan_text, start.plan_name)
    shown = {name: start.backend_facts[name] for name in _SHOWN if name in start.backend_facts}
    backend = ", ".join([start.backend, *(f"{name} {value}" for name, value in shown.items())])
    isolation = record.isolation is not None  # which tests it makes is open, no plan tells
    title = plan.title if plan else start.plan_name
    return _with_rows(
        run_id=record.run_id,
        serial=start.unit_serial,
        unit_type=start.unit_type,
        plan_name=start.plan_name,
        plan_title=f"Isolation ({title})" if isolation else title,
        source=start.source,
        reference=start.reference,
        operator=start.operator,
        station=start.station,
        simulated=start.simulated,
        # A touch is a step; "ready" is told by hand even when nothing was touched then.
        by_hand=any(step.kind == "by_hand" for step in record.steps)
        or any(event.kind == "ready" for event in record.events),
        state=end.state if end else RunState.RUNNING,
        judgement=end.judgement if end else None,
        feeds_off=end.feeds_off if end else None,
        end_note=end.note if end else "",
        steps=record.steps,
        limits=plan.analysis_limits() if plan else None,
        plan_steps=None if plan is None or isolation else len(plan.steps),
        died=end is not None and end.swept,
        may_have_fed=may_have_fed(record.events),
        backend=backend,
        started=start.started_at,
        ended=end.ended_at if end else None,
        notes=tuple(event for event in record.events if event.kind == "note"),
        calibration=start.calibration,
        golden=start.golden,
        made_by=record.bench,
    )


def view_of_live(live: Live) -> RunView | None:
    """Return the run that has just ended as the bench told it; None if there is none."""
    job, ended = live.job, live.ended
    if ended is None or not isinstance(job, RunOrder):
        return None
    title = job.plan.title
    return _with_rows(
        run_id=ended.run_id,
        serial=job.unit_serial,
        unit_type=job.plan.unit.type,
        plan_name=job.plan.name,
        plan_title=f"Isolation ({title})" if live.isolation else title,
        source=job.source,
        reference=job.reference,
        operator=job.operator,
        station=job.station.name,
        simulated=live.began is not None and live.began.simulated,
        by_hand=isinstance(job, ByHandOrder),
        state=ended.state,
        judgement=ended.judgement,
        feeds_off=ended.feeds_off,
        end_note=ended.note,
        steps=tuple(live.steps),
        limits=job.plan.analysis_limits(),
        plan_steps=None if live.isolation else len(job.plan.steps),
        calibration=None if live.began is None else live.began.calibration,
        golden=None if live.began is None else live.began.golden,
    )


def _with_rows(**known: Any) -> RunView:
    view = RunView(**known)
    reasons = view.judgement.reasons if view.judgement else ()
    return replace(
        view,
        reason_rows=reason_rows(reasons, view.steps, view.limits),
        turn_rows=turn_rows(view.steps),
    )


def _plan(text: str, name: str) -> Plan | None:
    try:
        return plan_from_text(text, Path(f"{name}.toml"))
    except PlanError:  # an older program's plan: the record is shown without its limits
        return None


def verdict_words(view: RunView) -> tuple[str, str]:
    """Return the verdict in a word, and what it says of the unit in half a sentence."""
    judgement = view.judgement
    if judgement is None:
        return "NO VERDICT", f"{view.serial} {_unjudged(view)}"
    cause = cause_of(judgement.reasons)
    if cause:
        how = "cause not sure" if cause.startswith(NOT_SURE) else "cause found"
        told = cause.removeprefix(NOT_SURE).strip()
        return judgement.verdict.upper(), f"{view.serial}, {how}: {told}"
    against = sum(reason.verdict is Verdict.FAIL for reason in judgement.reasons)
    doubts = sum(reason.verdict is Verdict.RETEST for reason in judgement.reasons)
    unsure = f", {number_of(doubts, 'doubt')} besides" if doubts else ""
    match judgement.verdict:
        case Verdict.PASS:
            return "PASS", f"{view.serial} keeps every limit that was judged"
        case Verdict.FAIL:
            return "FAIL", f"{view.serial} fails on {number_of(against, 'count')}{unsure}"
        case Verdict.RETEST:
            counted = number_of(doubts, "doubt")
            return "RETEST", f"{view.serial} is neither passed nor failed: {counted} to clear"
        case word:  # in a newer program's record
            return word.upper(), f"{view.serial} has a verdict that this program does not know"


def _unjudged(view: RunView) -> str:
    if view.state is RunState.RUNNING:
        return "is still on the bench, or its program has died"
    if view.by_hand:
        return "was worked by hand: measured, not judged"
    if view.state is RunState.FINISHED:
        return "was not judged"
    if view.state not in _STATES:  # in a newer program's record
        return "was not judged, and how its run ended is not known"
    return f"was not judged: the run was {view.state_words}"


def facts(view: RunView) -> list[tuple[str, str]]:
    """Return what is known of a run, each fact with its name."""
    origin = view.source.replace("_", " ")
    found = [
        ("Unit", f"{view.serial}, type {view.unit_type}"),
        ("Plan", f"{view.plan_title} ({view.plan_name})"),
        ("From", f"{origin} {view.reference}".strip()),
        ("Operator", view.operator or "not told"),
        (
            "Station",
            f"{view.station} of the bench {view.made_by}" if view.made_by else view.station,
        ),
        ("Started", _moment(view.started)),
        ("Ended", _moment(view.ended)),
        ("State", f"{view.state_words}, {view.feeds_words}"),
        ("Plan done", _left_words(view)),
        ("Lever", view.lever_words),
        ("Readings", standing_line(view.calibration)),
        ("Golden", golden_words(view.golden)),
        ("Bench", f"{'SIMULATED' if view.simulated else 'real'}: {view.backend}".rstrip(": ")),
        ("Run", str(view.run_id)[:8] if view.run_id else ""),
        ("Ended so", view.end_note),
    ]
    return [(name, value) for name, value in found if value]


def _moment(when: datetime | None) -> str:
    return f"{when.astimezone():%Y-%m-%d %H:%M:%S}" if when else ""


def fact_lines(view: RunView) -> tuple[str, str]:
    """Return the same in two lines of 78 characters, as far as they hold it."""
    origin = f"{view.source.replace('_', ' ')} {view.reference}".strip()
    by = f"by {view.operator}" if view.operator else "no operator told"
    other = f"bench {view.made_by}" if view.made_by else ""
    first = [other, view.plan_title, origin, by, f"station {view.station}"]
    second = [_begun(view), _state_and_step(view)]
    second.append("LEVER MAY STAND MIDWAY" if view.lever_words else _feeds_in_short(view))
    if view.simulated:
        second.append("SIMULATED")
    return _line(first), _line(second)


def _feeds_in_short(view: RunView) -> str:
    return "feeds off" if view.feeds_off else view.feeds_words


def _state_and_step(view: RunView) -> str:
    left = view.left_in_step
    if not left or view.plan_steps is None:
        return view.state_words
    word = "tripped" if view.tripped else view.state.value
    where = "in" if view.cut_short else "after"
    return f"{word} {where} step {left} of {view.plan_steps}"


def _left_words(view: RunView) -> str:
    """Return how far a run came that ended before its plan did; empty for any other."""
    left, steps = view.left_in_step, view.plan_steps
    if left is None or steps is None:
        return ""
    if not left:
        return "not known" if view.died else "nothing: no step was begun"
    cut = ", which was cut short" if view.cut_short else ""
    after = ""
    if left < steps and view.died:
        after = "; what came after is not known"
    elif left < steps:
        which = f"step {steps} was" if left + 1 == steps else f"steps {left + 1} to {steps} were"
        after = f"; {which} not done"
    return f"up to step {left} of {steps}{cut}{after}"


def _line(parts: Sequence[str]) -> str:
    return " · ".join(part for part in parts if part)


def _begun(view: RunView) -> str:
    if view.started is None:
        return ""
    started = view.started.astimezone()
    return f"{started:%Y-%m-%d %H:%M}"
