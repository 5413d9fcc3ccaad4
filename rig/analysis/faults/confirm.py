"""What confirms a likely cause: the look or test to do before it is announced as found."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from rig.analysis.faults.causes import CAUSES
from rig.analysis.faults.guided import MINUTES, TESTS
from rig.analysis.faults.looks import CONFIRMING
from rig.analysis.faults.model import Observation, Proposal, Ranking
from rig.analysis.faults.words import says_of

CONFIRM_MOST_MIN = 3.0
"""A confirmation that takes longer (minutes) is named, not proposed (guess)."""

# Tests that show a cause by what changes when it is done, beside the looks that show it plainly
# (common practice, no published source).
_BY_TEST: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("binding", "seized-cable", "dragging-cable", "broken-cable", "spring-cable", "dry-gear"),
        ("unhooked",),
    ),
    **dict.fromkeys(
        ("shorted-turns", "worn-brushes", "intermittent-brush", "open-winding"), ("direct",)
    ),
    **dict.fromkeys(
        (name for name, kind in CAUSES.items() if kind.part == "relay"), ("known_good_relay",)
    ),
}


def confirmed_by(cause: str) -> tuple[str, ...]:
    """Return the tests of which any one confirms a single cause; none if it has none."""
    kind = CAUSES.get(cause)
    if kind is None:
        return ()
    looks = tuple(look for look, shows in kind.shows.items() if shows >= CONFIRMING)
    return (*looks, *_BY_TEST.get(cause, ()))


def is_confirmed(cause: str, seen: Sequence[Observation]) -> bool:
    """Tell whether a test that confirms ``cause`` was done; a look only if it showed a fault.

    What such a test said of the cause is in its probability.  A cause that nothing confirms
    counts as confirmed.
    """
    wanted = confirmed_by(cause)
    return not wanted or any(_confirms(one) for one in seen if one.test in wanted)


def _confirms(one: Observation) -> bool:
    return not TESTS[one.test].is_look or one.features.get("fault", np.nan) >= 0.5


def unconfirmed(case: str, seen: Sequence[Observation]) -> tuple[str, ...]:
    """Return the causes of ``case`` that nothing done so far confirms."""
    return tuple(cause for cause in case.split(" + ") if not is_confirmed(cause, seen))


def to_confirm(
    ranking: Ranking,
    seen: Sequence[Observation],
    possible: Collection[str],
    minutes: Mapping[str, float] = MINUTES,
    most_min: float = CONFIRM_MOST_MIN,
) -> Proposal | None:
    """Return the cheapest test of ``possible`` that would confirm the likeliest case.

    None if it is confirmed, or nothing that does so takes ``most_min`` minutes or less.
    """
    done = {one.test for one in seen}
    cost = {
        test: minutes.get(test, MINUTES[test])
        for cause in unconfirmed(ranking.top.name, seen)
        for test in confirmed_by(cause)
        if test in possible and test not in done
    }
    cheap = {test: cost_min for test, cost_min in cost.items() if cost_min <= most_min}
    if not cheap:
        return None
    test = min(cheap, key=cheap.__getitem__)
    likeliest = f"{says_of(ranking.top.name)} ({ranking.top.probability:.0%})"
    return Proposal(test, 0.0, cheap[test], f"Before it is called found: {likeliest}.")
