"""What the answers to looks say: how likely each case makes "fault", by the catalogue's figures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from rig.analysis.faults.causes import CAUSES, NEVER, NONE_OF_THESE
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import cases
from rig.analysis.faults.model import Observation
from rig.analysis.trace import FloatArray

# How likely a look answers "fault" if the cause is none of the known ones (guess).
OTHERWISE = 0.2


@cache
def shows_fault(test: str) -> FloatArray:
    """Return for every case how likely the look ``test`` answers "fault".

    Each cause of a case shows by itself, and something is taken for a fault where there is none.
    """
    found = []
    for case in cases():
        missed = 1.0 - NEVER
        for name in case.split(" + "):
            if name in CAUSES:
                missed *= 1.0 - CAUSES[name].shows.get(test, 0.0)
        found.append(OTHERWISE if case == NONE_OF_THESE else 1.0 - missed)
    return np.array(found)


def look_evidence(seen: Sequence[Observation]) -> FloatArray:
    """Return the log likelihood of every case from the looks among ``seen``; 0 without any."""
    latest = {observation.test: observation for observation in seen}
    total = np.zeros(len(cases()))
    for name in TESTS:  # in one order, so that rounding does not depend on who looked first
        if TESTS[name].is_look and name in latest:
            total += answer_evidence(name, latest[name].features.get("fault", np.nan))
    return total


def answer_evidence(test: str, fault: float) -> FloatArray:
    """Return the log likelihood of every case from one answer: 1 fault, 0 ok, NaN not seen."""
    if not np.isfinite(fault):
        return np.zeros(len(cases()))
    shows = shows_fault(test)
    found: FloatArray = np.log(shows if fault >= 0.5 else 1.0 - shows)
    return found
