"""Two runs of one unit on a sheet: what a rebuild changed, and whether the change is known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from statistics import mean, stdev
from typing import Any

from rig.analysis.model import Direction, HalfTurn, Measure, Outcome, Verdict
from rig.analysis.wording import DIRECTION_WORDS, outcome_words
from rig.quality.budget import coverage_factor
from rig.quality.decision import COVERAGE
from rig.records.compare import MEASURES, Change, change, in_order
from rig.records.held import counted, counts
from rig.records.history import PLAIN_STEPS
from rig.records.model import RunRecord
from rig.records.show import SHORT_ID
from rig.records.store import Store
from rig.sheets import words
from rig.sheets.document import Document, common, of_run
from rig.sheets.figures import before_after_figure
from rig.sheets.letterhead import Letterhead
from rig.sheets.measures import measure_name
from rig.sheets.run_sheet import FULL_IN, middle_trace, standing_data
from rig.sheets.standing import Mark, standing_of

RULE = (
    "Each value is the mean over the run's half-turns at plain work, ± its expanded uncertainty "
    "(about 95 %): that of one measurement and that of the mean by the half-turns' own scatter, "
    "with k = 2 or, where few half-turns tell the scatter, more by Student's t (JCGM 100:2008, "
    "annex G). The two runs are taken as independent, which is on the safe side: what both share "
    "cancels. “changed” is a difference greater than its uncertainty; “within U” may be none; of "
    "one half-turn the scatter is not known, so nothing is said."
)
ONE_TURN = "one half-turn"


class NotOneUnitError(ValueError):
    """The two runs are not of one unit; the message says what they are of."""


def before_after(
    store: Store, one: RunRecord, other: RunRecord, letterhead: Letterhead, paper: str = ""
) -> Document:
    """Return the sheet of two runs of one unit, the earlier first.

    Raises NotOneUnitError if they are of different units, RecordsError if the records cannot be
    read.
    """
    before, after = in_order(one, other)
    _need_one_unit(before, after)
    marks = _marks(before, after)
    serial = words.clean(after.start.unit_serial)
    shorts = [str(run.run_id)[:SHORT_ID] for run in (before, after)]
    dated = f"records {shorts[0]} and {shorts[1]}"
    foot = f"{serial[:40]} · before {shorts[0]}, after {shorts[1]}"
    data = {
        **common(f"Before and after, {serial}", dated, letterhead, paper, marks, foot),
        **of_run(after, store.checksum(after.run_id)),
        "serial": serial,
        "identity": words.identity(after, words.plan_of(after)),
        "sides": [
            _side(store, run, title) for run, title in ((before, "Before"), (after, "After"))
        ],
        "changes": change_rows(before, after),
        "outcomes": _outcomes(before, after),
        "trace": _laid_over(store, before, after),
        "rig": words.rig_facts(after),
        "rule": f"{RULE} {_of_verdicts(before, after)}",
    }
    return Document("before_after", data, letterhead, after.start.started_at)


def _of_verdicts(before: RunRecord, after: RunRecord) -> str:
    """Return by which rule the two verdicts were made, as far as the plans can be read."""
    rules = words.decision_rules([before, after])
    return f"Of the two verdicts: {rules}" if rules else words.UNREADABLE_PLAN


def _need_one_unit(before: RunRecord, after: RunRecord) -> None:
    if before.run_id == after.run_id:
        raise NotOneUnitError("Before and after are one and the same run. Name two runs.")
    units = [(run.start.unit_serial, run.start.unit_type) for run in (before, after)]
    if units[0] != units[1]:
        named = " and ".join(f"{words.clean(serial)} ({kind})" for serial, kind in units)
        raise NotOneUnitError(f"The runs are of two units, {named}. Name two runs of one unit.")


def _marks(before: RunRecord, after: RunRecord) -> list[Mark]:
    marks = dict.fromkeys((*standing_of(before).marks, *standing_of(after).marks))
    return list(marks)


def _side(store: Store, run: RunRecord, title: str) -> dict[str, Any]:
    tied = of_run(run, store.checksum(run.run_id))
    standing = standing_of(run)
    against = [
        {"kind": str(reason.verdict), "text": words.clean(reason.text)}
        for reason in standing.reasons
        if reason.verdict is not Verdict.PASS
    ]
    return {
        "title": title,
        "when": words.local(run.start.started_at, words.WITH_ZONE),
        "plan": words.clean(run.start.plan_name),
        "run_id": tied["run_id"],
        "code_printed": tied["code_printed"],
        "standing": standing_data(standing),
        "reasons": against[:_REASONS_MOST],
        "more": max(len(against) - _REASONS_MOST, 0),
    }


def change_rows(before: RunRecord, after: RunRecord) -> list[dict[str, str]]:
    """Return what both runs measured: means each way over plain work, then measures of the run."""
    rows = []
    for direction in Direction:
        sides = [_plain_turns(run, direction) for run in (before, after)]
        for name, value_name, u_name, unit in _COMPARED:
            means = [_mean(side, value_name, u_name) for side in sides]
            if [value for value, _ in means] != [None, None]:
                title = f"{name}, {DIRECTION_WORDS[direction]}"
                values, us = zip(*means, strict=True)
                told = change(title, values, us, unit)
                lone = any(len(_known(side, value_name)) == 1 for side in sides)
                rows.append(replace(told, verdict=ONE_TURN) if lone and told.verdict else told)
    found = [_by_name(run) for run in (before, after)]
    for name in [n for n in found[0] if n in found[1]]:
        was, now = found[0][name], found[1][name]
        rows.append(change(measure_name(was), (was.value, now.value), (was.u, now.u), was.unit))
    return [_row(row) for row in rows if row.name not in _LEFT_OUT]


# What has an uncertainty, and the supply, without which a time says little.
_COMPARED = tuple(one for one in MEASURES if one[2] or one[1] == "supply_v")
_REASONS_MOST = 4
_LEFT_OUT = ("sensor's zero, taken off",)


def _row(row: Change) -> dict[str, str]:
    return {
        "name": row.name[:1].upper() + row.name[1:],
        "before": row.before,
        "after": row.after,
        "difference": row.difference,
        "verdict": row.verdict,
    }


def _plain_turns(run: RunRecord, direction: Direction) -> list[HalfTurn]:
    return [
        turn
        for step in counted(run.steps)
        if step.kind in PLAIN_STEPS and counts(step)
        for turn in step.half_turns
        if turn.direction is direction and turn.outcome in (Outcome.PARKED, Outcome.SLOW)
    ]


def _mean(
    turns: Iterable[HalfTurn], value_name: str, u_name: str
) -> tuple[float | None, float | None]:
    """Return the mean of a value and its expanded uncertainty; None for what is not known.

    That of one measurement is common to all; k by JCGM 100:2008, G.4.1, and 2 at least.
    """
    having = _known(turns, value_name)
    if not having:
        return None, None
    values = [float(getattr(turn, value_name)) for turn in having]
    us = [getattr(turn, u_name) for turn in having] if u_name else []
    if not us or any(u is None or not math.isfinite(u) for u in us):
        return mean(values), None
    common_u = mean(us) / COVERAGE
    scatter_u = stdev(values) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    standard_u = math.hypot(common_u, scatter_u)
    if not scatter_u > 0.0:
        return mean(values), COVERAGE * standard_u
    dof = (len(values) - 1) * (standard_u / scatter_u) ** 4
    return mean(values), max(COVERAGE, coverage_factor(dof)) * standard_u


def _known(turns: Iterable[HalfTurn], name: str) -> list[HalfTurn]:
    """Return the half-turns of which a value is known."""
    return [turn for turn in turns if math.isfinite(_number(getattr(turn, name)))]


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _by_name(run: RunRecord) -> dict[str, Measure]:
    """Return the run's measures by name, the last of each that has a value."""
    return {
        measure.name: measure
        for step in counted(run.steps)
        if counts(step)
        for measure in step.measures
        if measure.value is not None
    }


def _outcomes(before: RunRecord, after: RunRecord) -> list[str]:
    return [_counted_words(run) for run in (before, after)]


def _counted_words(run: RunRecord) -> str:
    turns: Sequence[HalfTurn] = [
        turn
        for step in counted(run.steps)
        if step.kind in PLAIN_STEPS and counts(step)
        for turn in step.half_turns
    ]
    outcomes = dict.fromkeys(outcome_words(turn.outcome) for turn in turns)
    told = ", ".join(
        f"{sum(outcome_words(turn.outcome) == name for turn in turns)} {name}" for name in outcomes
    )
    plural = "" if len(turns) == 1 else "s"
    return f"{len(turns)} half-turn{plural} at plain work: {told}" if turns else "no half-turn"


def _laid_over(store: Store, before: RunRecord, after: RunRecord) -> str:
    traces = [middle_trace(store, run, Direction.TO_RUN) for run in (before, after)]
    if any(trace is None for trace in traces):
        return ""
    return before_after_figure([trace for trace in traces if trace is not None], FULL_IN)
