"""The outcome of every half-turn: a table while there are few, else a summary for each step."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from operator import itemgetter
from statistics import median
from typing import Any

from rig.analysis.model import Direction, HalfTurn, Outcome
from rig.analysis.wording import direction_words, outcome_words, with_u
from rig.records.held import counts, is_judged
from rig.records.model import StepRecord
from rig.sheets.words import clean

TABLE_MOST = 48
"""So many half-turns are listed one by one; more are summarised."""
ODD_MOST = 8
"""So many half-turns that did not park are listed for a step that is summarised."""
HEAD_LINES = 2
"""Lines that the title of a group and the head of its table take."""
STRIP_HIGH = 14
STRIP_MOST = 240
"""So many bars are drawn at most for a step; each is then the slowest of several half-turns."""


def turn_groups(steps: Sequence[StepRecord]) -> dict[str, Any]:
    """Return the half-turns step by step: ``rows`` of every one while few, else a ``sum``."""
    having = [step for step in steps if step.half_turns]
    count = sum(len(step.half_turns) for step in having)
    few = count <= TABLE_MOST
    groups = [_group(list(part), few=few) for _, part in groupby(having, _part_of)]
    return {
        "count": count,
        "cut": any(turn.cut_by_rig for step in having for turn in step.half_turns),
        "columns": _columns(groups) if few else [groups],
    }


def _part_of(step: StepRecord) -> str:
    """Return what step of the plan a step is; the parts of an endurance step that count are one."""
    alike = step.kind == "endurance" and is_judged(step)
    return step.kind if alike else str(step.number)


def _group(parts: Sequence[StepRecord], *, few: bool) -> dict[str, Any]:
    turns = [turn for step in parts for turn in step.half_turns]
    more = f", and {len(parts) - 1} more parts" if len(parts) > 1 else ""
    return {
        "title": clean(parts[0].title) + more,
        "judged": is_judged(parts[0]),
        "said": _said(parts[0]),
        "rows": [turn_row(turn, judged=is_judged(parts[0])) for turn in turns] if few else [],
        "sum": None if few else summed(turns),
    }


def _said(step: StepRecord) -> str:
    """Return what must stand beside a step's half-turns, empty if nothing must."""
    if is_judged(step):
        return ""
    return "not held against the limits" if counts(step) else "counts for nothing"


def _columns(groups: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Return the groups in two columns of about the same length; one that is long is parted."""
    lines = sum(len(group["rows"]) + HEAD_LINES for group in groups)
    left: list[dict[str, Any]] = []
    right: list[dict[str, Any]] = []
    room = (lines + 1) // 2
    for group in groups:
        rows = group["rows"]
        fit = max(room - HEAD_LINES, 0)
        if right or fit < min(2, len(rows)):
            right.append(group)
        elif len(rows) <= fit + 1:
            left.append(group)
            room -= len(rows) + HEAD_LINES
        else:
            left.append({**group, "rows": rows[:fit]})
            right.append({**group, "title": f"{group['title']}, continued", "rows": rows[fit:]})
    return [left, right]


def turn_row(turn: HalfTurn, *, judged: bool = True) -> dict[str, Any]:
    """Return one half-turn as a line of the table; what is ``judged`` and did not park is odd."""
    timed = turn.outcome in (Outcome.PARKED, Outcome.SLOW)
    return {
        "number": str(turn.number),
        "direction": direction_words(turn.direction),
        "outcome": outcome_words(turn.outcome) + ("*" if turn.cut_by_rig else ""),
        "odd": judged and turn.outcome is not Outcome.PARKED,
        "time": _with_u(turn.half_turn_s, turn.half_turn_u_s) if timed else "–",
        "peak": _number(turn.peak_a, turn.peak_u_a),
        "run": _number(turn.run_a, turn.run_u_a),
        "rest": _number(turn.rest_a, turn.rest_u_a),
        "supply": "–" if turn.supply_v is None else f"{turn.supply_v:.2f}",
    }


def _number(value: float | None, u: float | None) -> str:
    return _with_u(value, u).partition(" ")[0]


def _with_u(value: float | None, u: float | None) -> str:
    """Return a value as the table of measures has it, to the same places; a dash for none."""
    return "–" if value is None or not math.isfinite(value) else with_u(value, u, "")


def summed(turns: Sequence[HalfTurn]) -> dict[str, Any]:
    """Return many half-turns in a few lines: outcomes, times each way, the odd ones, a strip."""
    outcomes = Counter(outcome_words(turn.outcome) for turn in turns)
    odd = [turn for turn in turns if turn.outcome is not Outcome.PARKED]
    return {
        "count": len(turns),
        "numbers": f"{turns[0].number} to {turns[-1].number}",
        "outcomes": ", ".join(f"{number} {words}" for words, number in outcomes.most_common()),
        "times": [_times(turns, way) for way in dict.fromkeys(turn.direction for turn in turns)],
        "odd": [
            f"no. {turn.number} {direction_words(turn.direction)}: {outcome_words(turn.outcome)}"
            for turn in odd[:ODD_MOST]
        ],
        "odd_more": max(len(odd) - ODD_MOST, 0),
        "strip": strip(turns),
    }


def _times(turns: Sequence[HalfTurn], direction: Direction) -> str:
    """Return the shortest, the middle and the longest time of one direction."""
    timed = [
        (turn.half_turn_s, turn.half_turn_u_s)
        for turn in turns
        if turn.direction == direction and turn.half_turn_s is not None
    ]
    way = direction_words(direction)
    if not timed:
        return f"{way}: none timed"
    shortest, longest = min(timed, key=itemgetter(0)), max(timed, key=itemgetter(0))
    middle = median(value for value, _ in timed)
    return (
        f"{way}: {with_u(*shortest, 's')} shortest, {middle:.3f} s in the middle, "
        f"{with_u(*longest, 's')} longest"
    )


def _time_s(turn: HalfTurn) -> float:
    """Return a half-turn's time (s), 0 where it has none."""
    taken_s = turn.half_turn_s
    return taken_s if taken_s is not None and math.isfinite(taken_s) else 0.0


def strip(turns: Sequence[HalfTurn]) -> dict[str, Any]:
    """Return a strip of bars as SVG, each the slowest of ``each`` half-turns, the highest ``top``.

    A bar is black and has the whole height where one of its half-turns did not park: it is never
    hidden among others.
    """
    each = -(-len(turns) // STRIP_MOST)
    groups = [turns[at : at + each] for at in range(0, len(turns), each)]
    top = max((_time_s(turn) for turn in turns), default=0.0) or 1.0
    plain, odd = [], []
    for k, group in enumerate(groups):
        if any(turn.outcome is not Outcome.PARKED for turn in group):
            odd.append(f"M{k} 0h1v{STRIP_HIGH}h-1z")
        else:
            part = max(_time_s(turn) for turn in group) / top
            high = round(0.9 * STRIP_HIGH * part, 2)
            plain.append(f"M{k} {STRIP_HIGH}v-{high}h0.7v{high}z")
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{len(groups)}" height="{STRIP_HIGH}" '
        f'viewBox="0 0 {len(groups)} {STRIP_HIGH}" preserveAspectRatio="none">'
        f'<path d="{"".join(plain)}" fill="#aeb9c1"/><path d="{"".join(odd)}" fill="#000"/></svg>'
    )
    return {"each": each, "top": f"{top:.3f} s", "svg": svg}
