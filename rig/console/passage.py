"""Which piece of which step's trace a reason of a verdict speaks of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from rig.analysis.judge import measure_check
from rig.analysis.model import HalfTurn, Limits, Measure, Outcome, Reason
from rig.records.model import StepState

_GOOD = frozenset({Outcome.PARKED, Outcome.SLOW})
# Reasons of a whole run that one kind of step gives.
_STEP_OF = {
    "stall_current_a": "jam",
    "winding_ohm": "jam",
    "lowest_supply_v": "supply_sweep",
    "relay_swap_change": "relay_swap",
    "relay_swap": "relay_swap",
    "relay_pull_in_v": "relay_check",
    "relay_drop_out_v": "relay_check",
    "relay_coil_ohm": "relay_check",
    "relay_operate_s": "relay_check",
    "relay_release_s": "relay_check",
    "relay_check": "relay_check",
    "park_position": "park_check",
    "stays_parked": "park_check",
    "zero_offset_a": "zero",
}
# Reasons that speak of where the run ended.
_OF_THE_END = ("guard", "run")


class StepFound(Protocol):
    """A finished step, from the record or as the bench told it."""

    @property
    def number(self) -> int:
        """Its number in the plan."""
        ...

    @property
    def kind(self) -> str:
        """What it did."""
        ...

    @property
    def title(self) -> str:
        """What it is called."""
        ...

    @property
    def state(self) -> StepState:
        """How far it came."""
        ...

    @property
    def measures(self) -> tuple[Measure, ...]:
        """What it measured."""
        ...

    @property
    def half_turns(self) -> tuple[HalfTurn, ...]:
        """The half-turns it saw."""
        ...


@dataclass(frozen=True)
class Passage:
    """A half-turn of a step (s on the trace's axis), or without one a rest or the whole step.

    ``usual`` is another half-turn of the same step and direction that was in order.
    ``at_end``: the last moments of the step.
    """

    step: int
    title: str
    turn: HalfTurn | None = None
    usual: HalfTurn | None = None
    rest_after: HalfTurn | None = None
    rest_until_s: float | None = None
    at_end: bool = False


class Passages:
    """Finds the passages of a run's ``steps``; ``limits`` are its plan's."""

    def __init__(self, steps: Sequence[StepFound], limits: Limits | None) -> None:
        self._steps = steps
        self._limits = limits
        self._turns = {turn.number: (step, turn) for step in steps for turn in step.half_turns}

    def of_turn(self, number: int) -> Passage | None:
        """Return half-turn ``number`` of the run, None if no step has it."""
        if number not in self._turns:
            return None
        step, turn = self._turns[number]
        return Passage(step.number, step.title, turn, _usual(turn, step))

    def of(self, reason: Reason, nth: int = 0) -> Passage | None:
        """Return what a reason speaks of; None where there is no trace of it (a look, an answer).

        ``nth``: how many reasons of the run before this one say the same.
        """
        if reason.half_turn:
            return self.of_turn(reason.half_turn)
        if reason.measure == "rest_draw_a":
            return self._rest_draw(reason, nth)
        if reason.measure in _OF_THE_END:
            return _end(self._steps)
        kind = _STEP_OF.get(reason.measure)
        step = next((step for step in self._steps if step.kind == kind), None)
        return None if step is None else _decided(step)

    def _rest_draw(self, reason: Reason, nth: int) -> Passage | None:
        """Return the rest whose draw the sentence tells: a run measures it several times."""
        if self._limits is None:
            return None
        found = []
        for step in self._steps:
            draws = [measure for measure in step.measures if measure.name == reason.measure]
            for count, measure in enumerate(draws):
                check = measure_check(measure, self._limits)
                if check is not None and check.is_told_in(reason.text):
                    found.append(_rest(step, count))
        return found[min(nth, len(found) - 1)] if found else None


def _decided(step: StepFound) -> Passage:
    """What did not complete decides a step; where all did, the last half-turn was the hardest."""
    turns = step.half_turns
    if not turns or step.kind == "park_check":
        return Passage(step.number, step.title)
    bad = (turn for turn in turns if turn.outcome not in _GOOD)
    return Passage(step.number, step.title, next(bad, turns[-1]))


def _usual(turn: HalfTurn, step: StepFound) -> HalfTurn | None:
    if turn.outcome is Outcome.PARKED:
        return None
    alike = (
        other
        for other in step.half_turns
        if other.outcome is Outcome.PARKED and other.direction is turn.direction
    )
    return next(alike, None)


def _rest(step: StepFound, count: int) -> Passage:
    # A park check rests after each of its half-turns, a rest draw after the last it needed.
    turns = step.half_turns
    at = count if step.kind == "park_check" else len(turns) - 1
    if not 0 <= at < len(turns):
        return Passage(step.number, step.title)
    until_s = turns[at + 1].start_s if at + 1 < len(turns) else None
    return Passage(step.number, step.title, rest_after=turns[at], rest_until_s=until_s)


def _end(steps: Sequence[StepFound]) -> Passage | None:
    if not steps:
        return None
    step = steps[-1]
    turn = step.half_turns[-1] if step.half_turns else None
    if turn is not None and turn.cut_by_rig:
        return Passage(step.number, step.title, turn, _usual(turn, step))
    return Passage(step.number, step.title, at_end=True)
