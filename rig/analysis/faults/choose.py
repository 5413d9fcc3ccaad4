"""What is done next: safety first, then what confirms, then what tells most."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from rig.analysis.faults.confirm import CONFIRM_MOST_MIN, to_confirm
from rig.analysis.faults.crossed import holds_back, look_at_leads
from rig.analysis.faults.guided import MINUTES
from rig.analysis.faults.model import Observation, Proposal, Ranking

TellsMost = Callable[[Sequence[Observation], Collection[str]], Proposal | None]


@dataclass(frozen=True, slots=True)
class Choice:
    """The test to do next, if any; ``held_back``: crossed leads keep others from being done."""

    proposal: Proposal | None
    held_back: bool = False


def choose(
    ranking: Ranking,
    seen: Sequence[Observation],
    possible: Collection[str],
    tells_most: TellsMost,
    *,
    sure: bool,
    minutes: Mapping[str, float] = MINUTES,
    confirm_most_min: float = CONFIRM_MOST_MIN,
) -> Choice:
    """Return the test of ``possible`` to do next.

    While crossed leads are suspected nothing else is fed.  Once it is ``sure`` only what confirms
    the likeliest case in ``confirm_most_min`` minutes or less; before that what tells most.
    """
    allowed = holds_back(ranking, seen, possible)
    if allowed is not None:
        leads = look_at_leads(ranking, allowed, minutes)
        return Choice(leads or tells_most(seen, allowed), held_back=True)
    if sure:
        return Choice(to_confirm(ranking, seen, possible, minutes, confirm_most_min))
    return Choice(tells_most(seen, possible))
