"""A long step is recorded in parts, so that a power cut loses minutes and not the night.

A step is kept when it ends, and until then its half-turns and traces are in memory.  An endurance
step may last for days, so it is carried out as several steps, each as good as one of the plan: with
its own trace, its own place in the record and its own repetition if the operator wishes for one.
"""

from __future__ import annotations

from itertools import pairwise
from math import ceil

from rig.plans import HALF_TURN_GUESS_S, AnyStep, EnduranceStep

PART_S = 600.0
"""About how long a part lasts (guess: short to lose, long beside the second that its end costs)."""


def parts_of(step: AnyStep) -> tuple[AnyStep, ...]:
    """Return ``step`` as what is carried out and recorded: itself, or an endurance step's parts."""
    if not isinstance(step, EnduranceStep):
        return (step,)
    count = min(step.cycles, ceil(step.expected_s(HALF_TURN_GUESS_S) / PART_S))
    if count < 2:
        return (step,)
    ends = [step.cycles * part // count for part in range(count + 1)]
    return tuple(
        step.model_copy(
            update={
                "cycles": last - done,
                "title": f"{step.label}, cycles {done + 1} to {last} of {step.cycles}",
            }
        )
        for done, last in pairwise(ends)
    )
