"""What the answers to looks say: how likely each case makes them, by the catalogue's figures.

A look is answered "ok" or "fault"; a meter may also read low: far below what it should, but there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from rig.analysis.faults.causes import CAUSES, NEVER, NONE_OF_THESE, OFTEN
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import cases
from rig.analysis.faults.model import Observation
from rig.analysis.trace import FloatArray

# How likely a look answers "fault" if the cause is none of the known ones (guess).
OTHERWISE = 0.2
CONFIRMING = OFTEN
"""A look that shows a cause as often as this confirms it."""


LOW_IF_NOTHING = 0.5  # which part of the wrong faults reads low (guess)

# Which part of the faults that a meter shows of a cause reads low (guesses): what has much
# resistance lets some voltage through, what is open lets none.
_READS_LOW: Mapping[str, Mapping[str, float]] = {
    "look_battery_feed": {
        "battery-open": 0.05,
        "fuse-holder-corroded": 0.9,
        "weak-supply": 0.95,
        "wrong-polarity": 0.02,
    },
    "look_ignition_feed": {"ignition-open": 0.05},
    "look_coil": {"relay-coil-open": 0.02},
}


def can_read_low(test: str) -> bool:
    """Tell whether a look is a meter's, whose reading may be low."""
    return test in _READS_LOW


@cache
def shows_fault(test: str) -> FloatArray:
    """Return for every case how likely the look ``test`` shows a fault, be it a low reading.

    Each cause of a case shows by itself, and something is taken for a fault where there is none.
    """
    return _shown(test, dict.fromkeys(CAUSES, 1.0), 1.0)


@cache
def answer_chances(test: str) -> Mapping[str, FloatArray]:
    """Return for every case how likely each answer to the look ``test`` is; they sum to 1.

    Of two causes at once, that which lets nothing through is what a meter shows.
    """
    fault = shows_fault(test)
    if not can_read_low(test):
        return {"ok": 1.0 - fault, "fault": fault}
    hard = {name: 1.0 - _READS_LOW[test].get(name, 0.0) for name in CAUSES}
    worst = _shown(test, hard, 1.0 - LOW_IF_NOTHING)
    return {"ok": 1.0 - fault, "fault": worst, "low": fault - worst}


def _shown(test: str, part: Mapping[str, float], if_nothing: float) -> FloatArray:
    found = []
    for case in cases():
        missed = 1.0 - NEVER * if_nothing
        for name in case.split(" + "):
            if name in CAUSES:
                missed *= 1.0 - CAUSES[name].shows.get(test, 0.0) * part[name]
        found.append(OTHERWISE * if_nothing if case == NONE_OF_THESE else 1.0 - missed)
    return np.array(found)


def look_evidence(seen: Sequence[Observation]) -> FloatArray:
    """Return the log likelihood of every case from the looks among ``seen``; 0 without any."""
    latest = {observation.test: observation for observation in seen}
    total = np.zeros(len(cases()))
    for name in TESTS:  # in one order, so that rounding does not depend on who looked first
        if TESTS[name].is_look and name in latest:
            total += answer_evidence(latest[name])
    return total


def answer_evidence(one: Observation) -> FloatArray:
    """Return the log likelihood of every case from the answer to one look."""
    answer = answer_given(one)
    if not answer:
        return np.zeros(len(cases()))
    found: FloatArray = np.log(answer_chances(one.test)[answer])
    return found


def answer_given(one: Observation) -> str:
    """Return what was answered to a look, ``ok``, ``fault`` or ``low``; empty: nothing was seen."""
    fault = one.features.get("fault", np.nan)
    if not np.isfinite(fault):
        return ""
    if fault < 0.5:
        return "ok"
    low = one.features.get("low", 0.0) >= 0.5 and can_read_low(one.test)
    return "low" if low else "fault"


_WORDS = {"ok": "in order", "fault": "a fault is seen", "low": "reads low"}


def answer_words(one: Observation) -> str:
    """Return the answer to a look in plain words."""
    return _WORDS.get(answer_given(one), "not seen")
