"""Half-turns as rows to show: measured ones of steps that are over, rough ones of the step on."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from rig.analysis.model import Direction, HalfTurn, Outcome
from rig.bench.events import HalfTurnEnded
from rig.console.live_job import Live
from rig.records.model import StepState

# The control loop's own times are this far from the measured ones at most (s).
ROUGH_S = 0.05
NEAR = "parked, near the limit"


@dataclass(frozen=True, slots=True)
class TurnRow:
    """One half-turn; ``rough``: as the control loop saw it, to be measured when the step is over.

    Times in s, currents in A, None: not measured.
    """

    number: int
    to_run: bool
    half_turn_s: float | None
    outcome: str
    good: bool
    rough: bool = False
    run_a: float | None = None
    peak_a: float | None = None

    @property
    def way(self) -> str:
        """Which way it went."""
        return "to run" if self.to_run else "to stop"

    @property
    def time_words(self) -> str:
        """Its time; a rough one says so."""
        if self.half_turn_s is None:
            return "no time"
        return f"about {self.half_turn_s:.1f} s" if self.rough else f"{self.half_turn_s:.3f} s"


def turn_rows(live: Live, longest_s: float | None = None) -> list[TurnRow]:
    """Return every half-turn of the job so far, the oldest first, numbered through.

    ``longest_s`` (s) is how long one of the step that is on may take, None: that is not judged.
    """
    rows = [_measured(turn) for turn in live.half_turns]
    if live.step_on:
        for seen in live.step_turns:
            outcome = _rough_outcome(seen, inf if longest_s is None else longest_s)
            number = rows[-1].number + 1 if rows else 1
            good = outcome in ("parked", NEAR)
            rows.append(TurnRow(number, seen.to_run, seen.after_s, outcome, good, rough=True))
    return rows


def _rough_outcome(seen: HalfTurnEnded, longest_s: float) -> str:
    if not seen.parked:
        return "did not park"
    if seen.after_s > longest_s + ROUGH_S:
        return "slow"
    return NEAR if seen.after_s > longest_s - ROUGH_S else "parked"


def _measured(turn: HalfTurn) -> TurnRow:
    return TurnRow(
        turn.number,
        turn.direction is Direction.TO_RUN,
        turn.half_turn_s,
        str(turn.outcome).replace("_", " "),
        turn.outcome is Outcome.PARKED,
        run_a=turn.run_a,
        peak_a=turn.peak_a,
    )


@dataclass(frozen=True, slots=True)
class TouchRow:
    """One touch by hand: its number, its half-turns, and why it was cut short if it was."""

    number: int
    turns: tuple[TurnRow, ...]
    cut_short: str = ""


def touch_rows(live: Live) -> list[TouchRow]:
    """Return every touch that is over, the oldest first."""
    rows = []
    for number, step in enumerate(live.steps, start=1):
        why = step.note if step.state is StepState.CUT_SHORT else ""
        rows.append(TouchRow(number, tuple(_measured(turn) for turn in step.half_turns), why))
    return rows
