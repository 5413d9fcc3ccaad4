"""Two runs side by side: the half-turns of the same kind, and what changed between them.  Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from rig.analysis.model import Direction, HalfTurn
from rig.analysis.wording import amount, direction_words, outcome_words, with_u
from rig.records.model import RunRecord, StepRecord

_ORDINALS = {1: "1st", 2: "2nd", 3: "3rd"}
Kind = tuple[str, Direction]


@dataclass(frozen=True)
class Side:
    """A half-turn of one of the two runs, and the step (number, title) whose trace holds it."""

    step: int
    title: str
    turn: HalfTurn


@dataclass(frozen=True)
class Pair:
    """The k-th half-turn of a kind in both runs."""

    title: str
    before: Side
    after: Side


@dataclass(frozen=True)
class Change:
    """One measure in both runs; ``verdict`` says whether the difference is known to be one."""

    name: str
    before: str
    after: str
    difference: str
    verdict: str


def in_order(one: RunRecord, other: RunRecord) -> tuple[RunRecord, RunRecord]:
    """Return the earlier run and the later one."""
    if other.start.started_at < one.start.started_at:
        return other, one
    return one, other


def pairs(before: RunRecord, after: RunRecord) -> list[Pair]:
    """Return the half-turns that both runs have: the k-th of a step's kind and direction.

    Where they share no kind of step with half-turns, the k-th of a direction.
    """
    return _pairs(before, after, by_step=True) or _pairs(before, after, by_step=False)


def _pairs(before: RunRecord, after: RunRecord, *, by_step: bool) -> list[Pair]:
    first, second = (_by_kind(run.steps, by_step=by_step) for run in (before, after))
    found = [
        Pair(f"{_title(kind, k)} · {one.title}", one, other)
        for kind, sides in first.items()
        for k, (one, other) in enumerate(zip(sides, second.get(kind, []), strict=False), start=1)
    ]
    return sorted(found, key=lambda pair: pair.before.turn.number)


def _by_kind(steps: Sequence[StepRecord], *, by_step: bool) -> dict[Kind, list[Side]]:
    sides: dict[Kind, list[Side]] = defaultdict(list)
    for step in steps:
        for turn in step.half_turns:
            kind = step.kind if by_step else ""
            sides[kind, turn.direction].append(Side(step.number, step.title, turn))
    return sides


def _title(kind: Kind, k: int) -> str:
    return f"{_ORDINALS.get(k, f'{k}th')} half-turn {direction_words(kind[1])}"


MEASURES = (
    ("half-turn time", "half_turn_s", "half_turn_u_s", "s"),
    ("running", "run_a", "run_u_a", "A"),
    ("inrush peak", "peak_a", "peak_u_a", "A"),
    ("rest current", "rest_a", "rest_u_a", "A"),
    ("supply sag", "sag_v", "sag_u_v", "V"),
    ("response", "response_s", "", "s"),
    ("supply", "supply_v", "", "V"),
    ("energy", "energy_j", "", "J"),
    ("angle turned", "turned_deg", "", "deg"),
)
"""What is compared of a half-turn: its name, the fields of value and uncertainty, the unit."""


def changes(pair: Pair) -> list[Change]:
    """Return what the two half-turns measured, side by side; what neither has is left out."""
    before, after = pair.before.turn, pair.after.turn
    words = [outcome_words(turn.outcome) for turn in (before, after)]
    same = "same" if words[0] == words[1] else "another"
    found = [Change("what it did", words[0], words[1], "", same)]
    for name, value_name, u_name, unit in MEASURES:
        values = [getattr(turn, value_name) for turn in (before, after)]
        us = [getattr(turn, u_name) if u_name else None for turn in (before, after)]
        if values != [None, None]:
            found.append(change(name, values, us, unit))
    return found


def change(
    name: str, values: Sequence[float | None], us: Sequence[float | None], unit: str
) -> Change:
    """Return one measure before and after, with the difference and its expanded uncertainty.

    It is known to be one if it is more than its uncertainty.
    """
    was, now = (
        "-" if value is None else with_u(value, u, unit)
        for value, u in zip(values, us, strict=True)
    )
    one, other = values
    if one is None or other is None:
        return Change(name, was, now, "", "")
    difference = other - one
    sign = "+" if difference >= 0.0 else ""
    u_one, u_other = us
    if u_one is None or u_other is None:
        return Change(name, was, now, f"{sign}{amount(difference, unit)}", "")
    # Taken as independent, which is on the safe side: what both runs share cancels.
    u = hypot(u_one, u_other)
    verdict = "changed" if abs(difference) > u else "within U"
    return Change(name, was, now, f"{sign}{with_u(difference, u, unit)}", verdict)
