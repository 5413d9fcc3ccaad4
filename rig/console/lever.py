"""Where a job may have left the lever."""

from __future__ import annotations

from collections.abc import Iterable

from rig.analysis.model import HalfTurn, Outcome
from rig.bench.events import Noted
from rig.records.model import RunEvent

MIDWAY = "may stand between stop and run; it turns on as soon as it is fed: keep hands away"
_UNMOVED = frozenset({Outcome.NO_FEED, Outcome.NO_MOVEMENT})
# Where a half-turn leaves the lever that did so, nobody knows.
# Not measured to its end: a half-turn that was under way when the feeds went off is one of them.
_MIDWAY = frozenset({Outcome.STALLED, Outcome.RUNS_ON, Outcome.STOPS_SHORT, Outcome.NOT_MEASURED})


def may_have_fed(told: Iterable[RunEvent | Noted]) -> bool:
    """Tell from what a run told whether its unit may have been fed: its cautions were accepted."""
    return any(event.kind == "consent" for event in told)


def stands_midway(turns: Iterable[HalfTurn]) -> bool | None:
    """Tell whether the last of ``turns`` that moved may have left it midway; None if none moved."""
    moved = [turn for turn in turns if turn.outcome not in _UNMOVED]
    if not moved:
        return None
    return moved[-1].cut_by_rig or moved[-1].outcome in _MIDWAY
