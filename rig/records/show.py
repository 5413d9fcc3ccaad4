"""Runs as plain text, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo

from rig.analysis.model import HalfTurn, Measure
from rig.quality.calibration_words import standing_in_short, standing_words
from rig.quality.decision import DecisionRule
from rig.records.golden_said import golden_words
from rig.records.lateness import QUANTILES, Spread
from rig.records.model import IsolationCame, RunRecord, RunState, RunSummary, StepRecord, StepState
from rig.records.quantity import rounded, with_uncertainty
from rig.records.text_table import WIDTH as WIDTH
from rig.records.text_table import table_text as _table

SHORT_ID = 8
"""Characters of a run's id in a list: enough to tell apart the runs of one bench."""

_SIMULATED = "SIMULATED"


def runs_text(runs: Sequence[RunSummary], *, zone: tzinfo | None = None) -> str:
    """Return a table of runs, one a line.  Times in ``zone``, by default this machine's."""
    if not runs:
        return "No runs.\n"
    rows = [["run", "started", "unit", "plan", "job/lot", "result", "bench"]]
    rows += [_summary_cells(run, zone) for run in runs]
    if not any(run.simulated or run.bench for run in runs):
        rows = [row[:-1] for row in rows]
    of_others = any(run.bench for run in runs)
    return _table(rows, shrinkable=(2, 3, 4, 5, 6) if of_others else (2, 3, 4, 5))


def _summary_cells(run: RunSummary, zone: tzinfo | None) -> list[str]:
    return [
        str(run.run_id)[:SHORT_ID],
        _local(run.started_at, zone, "%Y-%m-%d %H:%M"),
        _clean(run.unit_serial),
        _clean(run.what),
        _clean(run.reference),
        _clean(run.came_to),
        ", ".join(
            word for word in (_SIMULATED if run.simulated else "", _clean(run.bench)) if word
        ),
    ]


def run_text(
    run: RunRecord, *, zone: tzinfo | None = None, rule: DecisionRule | None = None
) -> str:
    """Return a whole run: who and what, verdict and reasons, steps with measures, events.

    ``rule`` is what its plan decides by, None if that cannot be read any more.
    """
    parts = [_heading(run), _verdict(run), _identity(run, zone, rule)]
    parts += [_step(step, zone) for step in run.steps]
    if run.events:
        parts.append(_events(run, zone))
    return "\n".join("\n".join(lines) + "\n" for lines in parts)


def _heading(run: RunRecord) -> list[str]:
    lines = [f"Run {run.run_id}"]
    if run.bench:
        lines += _wrapped(f"Made by another bench: {_clean(run.bench)}.")
    if run.start.simulated:
        lines += _wrapped(f"{_SIMULATED} bench: these are not measurements of a real unit.")
    return lines


def _verdict(run: RunRecord) -> list[str]:
    end = run.end
    if end is None:
        return ["Still running, or its program has died."]
    lines = []
    if end.judgement is None:
        if run.steps and all(step.kind == "by_hand" for step in run.steps):
            lines.append("Worked by hand: not judged.")
        else:
            lines.append(f"No verdict: the run was {end.state}.")
    else:
        lines.append(f"Verdict: {end.judgement.verdict.upper()}")
        for reason in end.judgement.reasons:
            lines += _wrapped(_clean(reason.text), "  - ", "    ")
        if end.state is not RunState.FINISHED:
            lines.append(f"The run was {end.state}.")
    if run.isolation is not None:
        lines += _wrapped(_clean(_isolation(run.isolation)))
    short = standing_in_short(run.start.calibration)
    if short:
        lines += _wrapped(f"{short}.")
    lines.append("Feeds read back off at the end." if end.feeds_off else _FEEDS_UNKNOWN)
    if end.note:
        lines += _wrapped(_clean(end.note))
    return lines


_RULE_UNKNOWN = "not known: the plan cannot be read by this program any more"


def _isolation(came: IsolationCame) -> str:
    if not came.cause:
        return "An isolation that came to no cause."
    return f"Isolated: {came.cause}{'' if came.sure else ', not sure'}"


_FEEDS_UNKNOWN = "The feeds were NOT read back off at the end."


def _identity(run: RunRecord, zone: tzinfo | None, rule: DecisionRule | None) -> list[str]:
    start = run.start
    facts = ", ".join(f"{name} {value}" for name, value in start.backend_facts.items())
    source = start.source.replace("_", " ")
    ended = f", ended {_local(run.end.ended_at, zone, '%H:%M:%S %Z')}" if run.end else ""
    rows = {
        "Unit": f"{start.unit_serial}, type {start.unit_type}",
        "From": f"{source} {start.reference}".strip(),
        "Plan": f"{start.plan_name}, lent to an isolation" if run.isolation else start.plan_name,
        "Rig": f"{start.rig_name}, station {start.station}",
        "Readings": standing_words(start.calibration),
        "Backend": f"{start.backend} ({facts})" if facts else start.backend,
        "Operator": start.operator,
        "Started": f"{_local(start.started_at, zone, '%Y-%m-%d %H:%M:%S %Z')}{ended}",
        "Program": f"halfturn {start.program_version}",
        "Control": _control(run),
        "Lateness": _lateness(run),
    }
    if run.end is None or run.end.judgement is not None:
        rows["Decision"] = _RULE_UNKNOWN if rule is None else rule.words()
    if start.golden is not None:
        rows["Golden"] = golden_words(start.golden)
    return [
        line
        for name, text in rows.items()
        for line in _wrapped(_clean(text), f"{name:<9} ", " " * 10)
    ]


def _control(run: RunRecord) -> str:
    if run.start.control is not None:
        return run.start.control
    facts = run.start.backend_facts
    return "in virtual time" if facts.get("time") == "virtual" else "not recorded"


def _lateness(run: RunRecord) -> str:
    if run.start.control is None:
        return "none measured"
    late = run.end.lateness if run.end else None
    if late is None:
        return "not known: nobody lived to write it" if run.end else "not known yet"
    fed = f", {late.lost_slots_fed} of them fed" if late.lost_slots else ""
    return (
        f"woken {_spread(late.woken)}; done {_spread(late.done)} ms after the deadline; "
        f"{late.lost_slots} of {late.cycles + late.lost_slots} slots of "
        f"{1000 * late.period_s:g} ms lost{fed}"
    )


def _spread(spread: Spread) -> str:
    values = [
        *((f"p{100 * share:g}", spread.quantile_s(share)) for share in QUANTILES),
        ("max", spread.max_s),
    ]
    return ", ".join(f"{name} {1000 * value_s:.3f}" for name, value_s in values)


def _step(step: StepRecord, zone: tzinfo | None) -> list[str]:
    took_s = (step.ended_at - step.started_at).total_seconds()
    state = "" if step.state is StepState.DONE else f", {step.state.replace('_', ' ').upper()}"
    title = f"Step {step.number}  {step.title} ({step.kind}, {took_s:.1f} s{state})"
    lines = _wrapped(_clean(title), "", "        ")
    if step.note:
        lines += _wrapped(_clean(step.note), "  ", "  ")
    for question, answer in step.answers.items():
        lines += _wrapped(_clean(f"{question}: {_answer(answer)}"), "  ", "    ")
    lines += _measures(step.measures)
    if step.half_turns:
        lines += textwrap.indent(_half_turns(step.half_turns), "  ").splitlines()
    return lines


def _answer(answer: object) -> str:
    """Return an answer, a table or a list of sentences without the marks of a program."""
    if isinstance(answer, Mapping):
        return ", ".join(f"{name} {value}" for name, value in answer.items()) or "none"
    if isinstance(answer, list | tuple) and all(isinstance(part, str) for part in answer):
        return "; ".join(answer) or "none"
    return str(answer)


def _measures(measures: Sequence[Measure]) -> list[str]:
    width = max((len(measure.name) for measure in measures), default=0)
    return [
        f"  {_clean(m.name):<{width}}  {with_uncertainty(m.value, m.u, _clean(m.unit))}"
        for m in measures
    ]


def _half_turns(half_turns: Iterable[HalfTurn]) -> str:
    rows = [["no", "direction", "outcome", "time s", "peak A", "run A", "rest A", "sag V"]]
    rows += [
        [
            str(h.number),
            h.direction,
            h.outcome + ("*" if h.cut_by_rig else ""),
            with_uncertainty(h.half_turn_s, h.half_turn_u_s),
            rounded(h.peak_a, h.peak_u_a),
            rounded(h.run_a, h.run_u_a),
            rounded(h.rest_a, h.rest_u_a),
            rounded(h.sag_v, h.sag_u_v),
        ]
        for h in half_turns
    ]
    table = _table(rows, shrinkable=())
    return table + "* feed taken away by the rig\n" if "*" in table else table


def _events(run: RunRecord, zone: tzinfo | None) -> list[str]:
    lines = ["Events"]
    for event in run.events:
        at = _local(event.at, zone, "%H:%M:%S")
        lines += _wrapped(_clean(f"{event.kind}: {event.text}"), f"  {at}  ", " " * 12)
    return lines


# --- layout -----------------------------------------------------------------------------------


def _wrapped(text: str, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    ) or [first.rstrip()]


def _clean(text: str) -> str:
    """Return text that cannot move the cursor or colour the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)


def _local(time: datetime, zone: tzinfo | None, layout: str) -> str:
    return time.astimezone(zone).strftime(layout)
