"""Why a case leads or lags: what was seen, weighed by what it does to the odds, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, SOUND
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import Knowledge, cases
from rig.analysis.faults.looks import answer_evidence
from rig.analysis.faults.model import Observation
from rig.analysis.faults.told import feature, where
from rig.analysis.trace import FloatArray

# What changes the odds by less than a factor of 1.5 is not worth a line (natural logarithm).
LEAST = 0.4
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

    A thing seen is weighed by how it changes the odds against the likeliest other case: the mean
    of its effect alone and of its effect on top of all else, as features overlap.
    """
    row = knowledge.row_of(seen)
    groups = _groups(knowledge, row)
    weights, texts = _measured(knowledge, row, groups)
    looked, look_texts = _looked(seen)
    weights, texts = np.vstack([weights, looked]), [*texts, *look_texts]
    found = []
    for case in which:
        others = probabilities.copy()
        others[case] = -1.0
        found.append(_speech(weights[:, case] - weights[:, int(np.argmax(others))], texts))
    return found


def _speech(odds: FloatArray, texts: Sequence[str]) -> Speech:
    order = np.argsort(-odds, kind="stable")
    pros = tuple(texts[k] for k in order[:LINES] if odds[k] > LEAST)
    cons = tuple(texts[k] for k in order[::-1][:LINES] if odds[k] < -LEAST)
    return pros, cons


def _groups(knowledge: Knowledge, row: FloatArray) -> list[NDArray[np.int64]]:
    found: dict[tuple[str, str], list[int]] = {}
    for k in np.flatnonzero(np.isfinite(row)):
        name = knowledge.names[k]
        found.setdefault((name.partition(".")[0], feature(name).concept), []).append(int(k))
    return [np.array(columns) for columns in found.values()]


def _measured(
    knowledge: Knowledge, row: FloatArray, groups: list[NDArray[np.int64]]
) -> tuple[FloatArray, list[str]]:
    """Return each group's log likelihoods of the cases, and its words."""
    n = len(groups)
    rows = np.full((2 * n + 1, len(row)), np.nan)
    rows[n:] = row
    for k, columns in enumerate(groups):
        rows[k, columns] = row[columns]
        rows[n + k, columns] = np.nan
    evidence = knowledge.evidence(rows)
    weights: FloatArray = 0.5 * (evidence[:n] + evidence[-1] - evidence[n : 2 * n])
    return weights, [_words(knowledge, row, columns) for columns in groups]


def _words(knowledge: Knowledge, row: FloatArray, columns: NDArray[np.int64]) -> str:
    """Return a group's most telling value in words: the one furthest from a sound unit's."""
    k = int(columns[int(np.argmax(np.abs(row[columns])))])
    usual = float(knowledge.centre[k])
    value = usual + float(knowledge.scale[k]) * float(np.sinh(row[k]))
    name = knowledge.names[k]
    return f"{where(name)}: {feature(name).tell(value, usual)}"


def _looked(seen: Sequence[Observation]) -> tuple[FloatArray, list[str]]:
    latest = {one.test: one.features.get("fault", np.nan) for one in seen}
    weights: list[FloatArray] = []
    texts: list[str] = []
    for test, answer in latest.items():
        if TESTS[test].is_look and np.isfinite(answer):
            weights.append(answer_evidence(test, answer))
            what = TESTS[test].does.rstrip(".")
            texts.append(f"{what[0].lower()}{what[1:]}: {'fault' if answer >= 0.5 else 'ok'}")
    return np.array(weights).reshape(len(weights), len(cases())), texts
