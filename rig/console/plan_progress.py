"""How far a run is in its plan: every step with how it stands."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.order import RunOrder
from rig.console.live_job import Live
from rig.records.model import StepState

_ENDS = {StepState.DONE: "done", StepState.CUT_SHORT: "cut short", StepState.SKIPPED: "skipped"}


@dataclass(frozen=True, slots=True)
class StepRow:
    """A step of the plan: its number, name, how it stands in a word; ``begun``, ``over``."""

    number: int
    title: str
    word: str
    begun: bool
    over: bool


def step_rows(live: Live) -> list[StepRow]:
    """Return the plan's steps in their order; none without a plan."""
    if not isinstance(live.job, RunOrder):
        return []
    if live.isolation:
        return _tests(live)
    present = live.step.number if live.step else 0
    ends = {step.number: step.state for step in live.steps}
    rows = []
    for number, step in enumerate(live.job.plan.steps, start=1):
        if number == present and live.step_on:
            rows.append(StepRow(number, step.label, "on", begun=True, over=False))
        elif number == present and number not in ends:  # the bench went in the middle of it
            rows.append(StepRow(number, step.label, "broken off", begun=True, over=False))
        elif number <= present:
            word = _ENDS[ends.get(number, StepState.DONE)]
            rows.append(StepRow(number, step.label, word, begun=True, over=True))
        else:
            word = "to come" if live.on else "not done"
            rows.append(StepRow(number, step.label, word, begun=False, over=False))
    return rows


def _tests(live: Live) -> list[StepRow]:
    """Return what an isolation did so far; nobody knows what comes."""
    over = {step.number: step for step in live.steps}
    rows = [
        StepRow(number, step.title, _ENDS[step.state], begun=True, over=True)
        for number, step in over.items()
    ]
    step = live.step
    if step is not None and (live.step_on or step.number not in over):
        word = "on" if live.step_on else "broken off"
        rows = [row for row in rows if row.number != step.number]
        rows.append(StepRow(step.number, step.title, word, begun=True, over=False))
    return rows


def clock_words(duration_s: float) -> str:
    """Return a length of time as minutes and seconds, ``2:05``, hours before them if need be."""
    minutes, seconds = divmod(max(0, round(duration_s)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
