"""Crossed battery and earth leads: once they are suspected, nothing is fed that can be avoided.

A unit fed the wrong way round turns backwards against its cams, and a diode across its relay's
coil takes the whole feed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from rig.analysis.faults.guided import MINUTES, TESTS
from rig.analysis.faults.looks import answer_given
from rig.analysis.faults.model import Observation, Proposal, Ranking

CROSSED = "wrong-polarity"
SUSPECTED = 0.1
"""Crossed leads this likely are looked at before anything else (guess)."""
_LOOK, _METER = "look_leads", "look_battery_feed"
_WHY = "The leads may be crossed ({:.0%}): this comes before anything else is fed."


def crossed_chance(ranking: Ranking) -> float:
    """Return how likely the leads are crossed, alone or with another cause."""
    return sum(case.probability for case in ranking.causes if CROSSED in case.parts)


def holds_back(
    ranking: Ranking, seen: Sequence[Observation], possible: Collection[str]
) -> tuple[str, ...] | None:
    """Return the tests that may be done while crossed leads are suspected; None: any.

    These are the looks that feed nothing, and, until one showed a fault of the leads, the meter,
    which needs the feed for a moment.  It is over when the suspicion is gone, the meter showed no
    fault, or, where it cannot be read, somebody followed the leads and found none.
    """
    if crossed_chance(ranking) < SUSPECTED:
        return None
    answers = {one.test: answer_given(one) for one in seen}
    look, meter = answers.get(_LOOK, ""), answers.get(_METER, "")
    shown = "fault" in (look, meter)
    if not shown and (meter or (look and _METER not in possible)):
        return None
    metered = () if shown else (_METER,)
    return tuple(test for test in possible if not TESTS[test].feeds or test in metered)


def look_at_leads(
    ranking: Ranking, allowed: Collection[str], minutes: Mapping[str, float] = MINUTES
) -> Proposal | None:
    """Return the look at the leads, else the meter; None if neither is ``allowed``."""
    for test in (_LOOK, _METER):
        if test in allowed:
            why = _WHY.format(crossed_chance(ranking))
            return Proposal(test, 0.0, minutes.get(test, MINUTES[test]), why)
    return None
