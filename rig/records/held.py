"""What of a recorded run counts, and what of it was held against its plan's limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeVar

from rig.records.model import AGAIN, Held, StepRecord

# In records that do not say it: steps whose half-turns are held against the plan's limits.
_JUDGED_KINDS = ("half_turns", "park_check", "loaded", "relay_check", "endurance")


class _Titled(Protocol):
    @property
    def title(self) -> str: ...


Step = TypeVar("Step", bound=_Titled)


def counted(steps: Sequence[Step]) -> list[Step]:
    """Return the steps without those that were done again: the repetition counts."""
    again = [step.title.removesuffix(AGAIN) for step in steps if step.title.endswith(AGAIN)]
    kept = []
    for step in reversed(steps):
        if step.title in again and not step.title.endswith(AGAIN):
            again.remove(step.title)
            continue
        kept.append(step)
    return kept[::-1]


def held_of(step: StepRecord) -> Held:
    """Return what of a step was held against the plan's limits, as recorded where it is."""
    if step.held is not None:
        return step.held
    guided = step.kind == "guided" and step.answers.get("test") == "turns"
    return Held.ALL if guided or step.kind in _JUDGED_KINDS else Held.MEASURES


def is_judged(step: StepRecord) -> bool:
    """Tell whether a step's half-turns are held against the plan's limits."""
    return held_of(step) is Held.ALL


def counts(step: StepRecord) -> bool:
    """Tell whether anything of a step counts: what no one knows the word for does not."""
    return held_of(step) in (Held.ALL, Held.MEASURES)
