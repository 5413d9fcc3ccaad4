"""From a guided test's trace, or from the answer to a look, to its features."""

from __future__ import annotations

from math import nan

from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.model import Observation
from rig.analysis.model import Accuracy, Limits, UnitType
from rig.analysis.trace import Trace

ANSWERS = {"ok": 0.0, "fault": 1.0, "cannot": nan}


def features_of(
    test: str, trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy
) -> Observation:
    """Return the features of a guided test that made ``trace``; ValueError for a look.

    The trace is of this test alone, from before its first feed to after its last.
    """
    if TESTS[test].is_look:
        raise ValueError(f"{test} is a look: its answer tells, not a trace")
    return Observation(test, {})


def answer_of(test: str, answer: str) -> Observation:
    """Return what the answer to a look tells: ``ok``, ``fault`` or ``cannot`` (nothing seen).

    ValueError if the test is no look or the answer none of these.
    """
    if not TESTS[test].is_look:
        raise ValueError(f"{test} is no look: its trace tells")
    if answer not in ANSWERS:
        raise ValueError(f"the answer {answer!r} should be one of {', '.join(ANSWERS)}")
    return Observation(test, {"fault": ANSWERS[answer]})
