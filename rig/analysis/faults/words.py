"""Why a case leads or lags: what was seen, weighed against other cases, in plain words.

What is seen of one test and one concept (its outcome, its current) is one fact.  It speaks for a
case that shows it if a rival or a sound unit does not, and against one that does not show it if
the first rival does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, SOUND
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.faults.looks import answer_evidence, answer_words
from rig.analysis.faults.model import Observation
from rig.analysis.faults.told import feature, is_share, where, where_either_way
from rig.analysis.trace import FloatArray

# So many of a case's examples, those most like the unit, stand for it.
NEAREST = 5
# Nearer by less than this (asinh units, of about a sound unit's spread) speaks for nothing.
LEAST = 0.8
# Farther off than this, what was seen is nothing that the case shows (asinh units, guess).
FITS = 1.5
# A look's answer that changes the odds by less than a factor of 1.5 (natural logarithm) neither.
LEAST_ODDS = 0.4
# So many of the likeliest other cases are what it is held against.
RIVALS = 2
# Tests of the unit as it is; in any other something was changed, and what is as usual then tells.
AS_IT_IS = frozenset({"rest", "turns"})
# What only later rivals or a sound unit do not show weighs so much (guess).
LATER = 0.3
LINES = 4

Speech = tuple[tuple[str, ...], tuple[str, ...]]


def says_of(case: str) -> str:
    """Return a case in plain words."""
    if case == SOUND:
        return "the unit is sound: look at what it works in"
    parts = [CAUSES[name].says for name in case.split(" + ") if name in CAUSES]
    return ", and ".join(parts) or "none of the causes that are known here"


@dataclass(frozen=True, slots=True)
class _Fact:
    """What one test showed of one concept: the features it is made of, and those that tell it."""

    columns: tuple[int, ...]
    telling: int
    either_way: bool


def speaks(
    knowledge: Knowledge,
    seen: Sequence[Observation],
    probabilities: FloatArray,
    which: NDArray[np.int64],
    given: str = "",
) -> list[Speech]:
    """Return what speaks for and against each case of ``which``, strongest first.

    Each is held against the likeliest cases that share no cause with it (but ``given``), and
    against a sound unit, all as their examples most like the unit show them.
    """
    row = knowledge.row_of(seen)
    facts = _facts(knowledge, row)
    typical = _Typical(knowledge, row)
    sound = typical.of(knowledge.cases.index(given or SOUND))
    found: list[Speech] = []
    for case in which.tolist():
        if knowledge.cases[case] == NONE_OF_THESE:  # it shows nothing of its own
            found.append(((), ()))
            continue
        rivals = _rivals(knowledge, probabilities, case, given)
        own, others = typical.of(case), [typical.of(rival) for rival in rivals]
        weighed = [_weigh(knowledge, fact, row, own, others, sound) for fact in facts]
        weighed += _looked(seen, case, rivals[0])
        weighed.sort(key=lambda item: -item[0])
        pros = tuple(text for weight, text in weighed[:LINES] if weight > 0.0)
        cons = tuple(text for weight, text in weighed[::-1][:LINES] if weight < 0.0)
        found.append((pros, cons))
    return found


def _rivals(knowledge: Knowledge, probabilities: FloatArray, case: int, given: str) -> list[int]:
    """Return the likeliest cases that share no cause with ``case``, likeliest first."""
    parts = knowledge.parts.copy()
    if given:
        parts[:, list(CAUSES).index(given)] = 0.0
    others = np.where(parts @ parts[case] > 0.0, -1.0, probabilities)
    others[case] = -1.0
    others[knowledge.cases.index(NONE_OF_THESE)] = -1.0
    others[parts.sum(axis=1) > 1.0] = -1.0  # a pair shows a bit of everything
    return [int(k) for k in np.argsort(-others, kind="stable")[:RIVALS]]


class _Typical:
    """What those examples of a case show that are most like the unit; NaN: nothing."""

    def __init__(self, knowledge: Knowledge, row: FloatArray) -> None:
        self._knowledge, self._row = knowledge, row
        self._known: dict[int, FloatArray] = {}

    def of(self, case: int) -> FloatArray:
        if case not in self._known:
            self._known[case] = self._find(case)
        return self._known[case]

    def _find(self, case: int) -> FloatArray:
        row = self._row
        rows = self._knowledge.examples[self._knowledge.example_cases == case]
        if not len(rows):
            return np.full(len(row), np.nan)
        seen = np.isfinite(row)
        off = np.minimum(np.abs(np.nan_to_num(rows[:, seen] - row[seen], nan=2.0)), 2.0)
        near = rows[np.argsort(off.sum(axis=1), kind="stable")[:NEAREST]]
        known = np.isfinite(near)
        count = known.sum(axis=0)
        total = np.where(known, near, 0.0).sum(axis=0)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _facts(knowledge: Knowledge, row: FloatArray) -> list[_Fact]:
    """Return the facts that were seen, each told by the feature that stands out most."""
    groups: dict[tuple[str, str], list[int]] = {}
    for k in np.flatnonzero(np.isfinite(row)).tolist():
        name = knowledge.names[k]
        groups.setdefault((name.partition(".")[0], feature(name).concept), []).append(k)
    return [_fact(knowledge, row, tuple(group)) for group in groups.values()]


def _fact(knowledge: Knowledge, row: FloatArray, columns: tuple[int, ...]) -> _Fact:
    # What the unit did, of all that it might have done, tells its outcome.
    shares = [k for k in columns if is_share(knowledge.names[k]) and _raw(knowledge, row, k) > 0.1]
    telling = max(shares or columns, key=lambda k: abs(float(row[k])))
    told = _tell(knowledge, row, telling)
    own = knowledge.names[telling].rpartition("_")[2]
    ways = {
        _tell(knowledge, row, k) for k in columns if knowledge.names[k].rpartition("_")[2] == own
    }
    return _Fact(columns, telling, ways == {told})


def _weigh(
    knowledge: Knowledge,
    fact: _Fact,
    row: FloatArray,
    own: FloatArray,
    others: Sequence[FloatArray],
    sound: FloatArray,
) -> tuple[float, str]:
    """Return how much a fact speaks for a case (above 0) or against it, and its words."""
    columns = list(fact.columns)
    mine, usual, *theirs = (_off(row[columns] - case[columns]) for case in (own, sound, *others))
    name = knowledge.names[fact.telling]
    place = where_either_way(name) if fact.either_way else where(name)
    told = _tell(knowledge, row, fact.telling)
    if mine - theirs[0] > LEAST:
        expected = _expected(knowledge, fact, own)
        if expected == told:
            return 0.0, ""  # the difference is finer than the words
        aside = f" (with this cause: {expected})" if expected else ""
        return theirs[0] - mine, f"{place}: {told}{aside}"
    if usual < LEAST and name.partition(".")[0] in AS_IT_IS:
        theirs = theirs[:1]  # that it does as a sound one does tells only what leads from it
    # What tells it from its first rival comes before what only tells it from the others.
    tells = max(theirs[0] - mine, LATER * (max(*theirs, usual) - mine))
    if mine < FITS and max(*theirs, usual) - mine > LEAST:
        return tells, f"{place}: {told}"
    return 0.0, ""


def _off(differences: FloatArray) -> float:
    """Return how far off a fact is (asinh units); 0 where a case shows nothing of the kind."""
    known = differences[np.isfinite(differences)]
    return float(np.max(np.abs(known))) if len(known) else 0.0


def _expected(knowledge: Knowledge, fact: _Fact, own: FloatArray) -> str:
    """Return what the case shows instead; empty if that is not known."""
    known = [k for k in fact.columns if np.isfinite(own[k])]
    shares = [k for k in known if is_share(knowledge.names[k]) and _raw(knowledge, own, k) > 0.5]
    if is_share(knowledge.names[fact.telling]):
        return _tell(knowledge, own, max(shares, key=lambda k: own[k])) if shares else ""
    return _tell(knowledge, own, fact.telling) if fact.telling in known else ""


def _raw(knowledge: Knowledge, row: FloatArray, k: int) -> float:
    return float(knowledge.centre[k]) + float(knowledge.scale[k]) * float(np.sinh(row[k]))


def _tell(knowledge: Knowledge, row: FloatArray, k: int) -> str:
    usual = float(knowledge.centre[k])
    return feature(knowledge.names[k]).tell(_raw(knowledge, row, k), usual)


def _looked(seen: Sequence[Observation], case: int, rival: int) -> list[tuple[float, str]]:
    latest = {one.test: one for one in seen}
    found = []
    for test, one in latest.items():
        if TESTS[test].is_look:
            evidence = answer_evidence(one)
            odds = float(evidence[case] - evidence[rival])
            if abs(odds) > LEAST_ODDS:
                what = TESTS[test].does.rstrip(".")
                found.append((odds, f"{what[0].lower()}{what[1:]}: {answer_words(one)}"))
    return found
