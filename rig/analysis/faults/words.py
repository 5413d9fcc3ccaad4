"""Why a case leads or lags: what was seen, weighed by what it does to the odds, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, SOUND
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.faults.looks import answer_evidence
from rig.analysis.faults.model import Observation
from rig.analysis.faults.told import feature, where
from rig.analysis.trace import FloatArray

# So many of a case's examples, those most like the unit, stand for it.
NEAREST = 5
# Nearer by less than this (asinh units, of about a sound unit's spread) speaks for nothing.
LEAST = 0.8
# A look's answer that changes the odds by less than a factor of 1.5 (natural logarithm) neither.
LEAST_ODDS = 0.4
LINES = 4

Speech = tuple[tuple[str, ...], tuple[str, ...]]


def says_of(case: str) -> str:
    """Return a case in plain words."""
    if case == SOUND:
        return "the unit is sound: look at what it works in"
    parts = [CAUSES[name].says for name in case.split(" + ") if name in CAUSES]
    return ", and ".join(parts) or "none of the causes that are known here"


def speaks(
    knowledge: Knowledge,
    seen: Sequence[Observation],
    probabilities: FloatArray,
    which: NDArray[np.int64],
) -> list[Speech]:
    """Return what speaks for and against each case of ``which``, strongest first.

    Each is held against the likeliest case that shares no cause with it, both as their examples
    most like the unit show them: what is nearer to the one than to the other speaks for it.
    """
    row = knowledge.row_of(seen)
    found = []
    for case in which.tolist():
        rival = _rival(knowledge, probabilities, case)
        weighed = [*_measured(knowledge, row, case, rival), *_looked(seen, case, rival)]
        weighed.sort(key=lambda item: -item[0])
        pros = tuple(text for weight, text in weighed[:LINES] if weight > 0.0)
        cons = tuple(text for weight, text in weighed[::-1][:LINES] if weight < 0.0)
        found.append((pros, cons))
    return found


def _rival(knowledge: Knowledge, probabilities: FloatArray, case: int) -> int:
    shared = knowledge.parts @ knowledge.parts[case]
    others = np.where(shared > 0.0, -1.0, probabilities)
    others[case] = -1.0
    others[knowledge.cases.index(NONE_OF_THESE)] = -1.0
    return int(np.argmax(others))


def _measured(
    knowledge: Knowledge, row: FloatArray, case: int, rival: int
) -> list[tuple[float, str]]:
    """Return what was measured with how much nearer it is to the case than to its rival."""
    own, other = _typical(knowledge, row, case), _typical(knowledge, row, rival)
    nearer = np.abs(row - other) - np.abs(row - own)
    best: dict[tuple[str, str], int] = {}
    for k in np.flatnonzero(np.abs(np.nan_to_num(nearer)) > LEAST).tolist():
        name = knowledge.names[k]
        group = (name.partition(".")[0], feature(name).concept)
        if group not in best or abs(nearer[k]) > abs(nearer[best[group]]):
            best[group] = k
    return [(float(nearer[k]), _words(knowledge, row, k)) for k in best.values()]


def _typical(knowledge: Knowledge, row: FloatArray, case: int) -> FloatArray:
    """Return what those examples of a case show that are most like the unit; NaN: nothing."""
    rows = knowledge.examples[knowledge.example_cases == case]
    if not len(rows):
        return np.full(len(row), np.nan)
    off = np.minimum(np.abs(np.nan_to_num(rows - row, nan=2.0)), 2.0)
    near = rows[np.argsort(off.sum(axis=1), kind="stable")[:NEAREST]]
    known = np.isfinite(near)
    count = known.sum(axis=0)
    total = np.where(known, near, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _words(knowledge: Knowledge, row: FloatArray, k: int) -> str:
    usual = float(knowledge.centre[k])
    value = usual + float(knowledge.scale[k]) * float(np.sinh(row[k]))
    name = knowledge.names[k]
    return f"{where(name)}: {feature(name).tell(value, usual)}"


def _looked(seen: Sequence[Observation], case: int, rival: int) -> list[tuple[float, str]]:
    latest = {one.test: one.features.get("fault", np.nan) for one in seen}
    found = []
    for test, answer in latest.items():
        if TESTS[test].is_look and np.isfinite(answer):
            evidence = answer_evidence(test, answer)
            odds = float(evidence[case] - evidence[rival])
            if abs(odds) > LEAST_ODDS:
                what = TESTS[test].does.rstrip(".")
                shown = "fault" if answer >= 0.5 else "ok"
                found.append((odds, f"{what[0].lower()}{what[1:]}: {shown}"))
    return found
