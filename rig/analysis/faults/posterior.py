"""The probability of every case given what was seen and the priors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, PRIORS, SOUND, TWO_AT_ONCE
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.faults.looks import look_evidence
from rig.analysis.faults.model import Cause, Observation, Ranking
from rig.analysis.faults.words import says_of, speaks
from rig.analysis.trace import FloatArray

# So many of the leading cases are told with what speaks for and against them.
TOLD = 12


def rank(
    knowledge: Knowledge,
    seen: Sequence[Observation],
    priors: Mapping[str, float] = PRIORS,
    given: str = "",
) -> Ranking:
    """Return every case with its probability, likeliest first.

    ``priors`` by name of cause, in parts of any whole, with ``sound``, ``none_of_these`` and
    ``two_at_once``; a name that is missing counts as the shipped prior, zero excludes the cause
    and every pair with it.  ``given`` is a cause that is known to be there, so that what else is
    wrong is what is asked: a lever without a cable is one whose cable has parted.  Order of
    ``seen`` does not matter, as long as no test is in it twice; of such the last counts.
    ValueError for a negative prior, an unknown name, or nothing left.
    """
    log_prior = log_priors(knowledge, priors, given)
    row = knowledge.row_of(seen)
    evidence = knowledge.evidence(row[None, :]) + look_evidence(seen)
    probabilities = posterior(evidence, log_prior)[0]
    order = np.argsort(-probabilities, kind="stable")
    order = order[np.isfinite(log_prior[order])]
    told = speaks(knowledge, seen, probabilities, order[:TOLD], given)
    causes = []
    for place, k in enumerate(order.tolist()):
        name = besides(knowledge.cases[k], given)
        pros, cons = told[place] if place < TOLD else ((), ())
        causes.append(Cause(name, says_of(name), float(probabilities[k]), pros, cons))
    return Ranking(tuple(causes), _repairs(causes))


def log_priors(knowledge: Knowledge, priors: Mapping[str, float], given: str = "") -> FloatArray:
    """Return the logarithm of every case's prior; -inf excludes.  ``given`` as in `rank`."""
    unknown = set(priors) - set(PRIORS)
    if unknown:
        raise ValueError(f"no such cause: {', '.join(sorted(unknown))}")
    merged = {**PRIORS, **priors}
    if any(not value >= 0.0 for value in merged.values()):
        raise ValueError("a prior must not be negative")
    weights = _with(knowledge, merged, given) if given else _weights(knowledge, merged)
    if not weights.sum() > 0.0:
        raise ValueError("the priors exclude every case")
    with np.errstate(divide="ignore"):
        found: FloatArray = np.log(weights / weights.sum())
    return found


def _weights(knowledge: Knowledge, merged: Mapping[str, float]) -> FloatArray:
    single = np.array([merged[name] for name in CAUSES])
    double = knowledge.parts @ np.log(np.where(single > 0.0, single, 1.0))
    excluded = knowledge.parts @ (single <= 0.0)
    weights = np.where(excluded > 0.0, 0.0, np.exp(double))
    is_pair = knowledge.parts.sum(axis=1) == 2.0
    total = weights[is_pair].sum()
    if total > 0.0:
        weights[is_pair] *= merged[TWO_AT_ONCE] / total
    weights[knowledge.cases.index(SOUND)] = merged[SOUND]
    weights[knowledge.cases.index(NONE_OF_THESE)] = merged[NONE_OF_THESE]
    return weights


def _with(knowledge: Knowledge, merged: Mapping[str, float], given: str) -> FloatArray:
    """Return the weights of the cases that hold ``given``, each by what is wrong besides it."""
    there = [given in case.split(" + ") or case == NONE_OF_THESE for case in knowledge.cases]
    names = [besides(case, given) for case in knowledge.cases]
    return np.array([merged[name] if own else 0.0 for name, own in zip(names, there, strict=True)])


def besides(case: str, given: str) -> str:
    """Return what ``case`` is apart from the cause ``given``; `SOUND` if it is nothing else."""
    if not given:
        return case
    return " + ".join(name for name in case.split(" + ") if name != given) or SOUND


def posterior(evidence: FloatArray, log_prior: FloatArray) -> FloatArray:
    """Return the probabilities of the cases for each row of evidence; each row sums to 1."""
    total = evidence + log_prior
    total = np.exp(total - total.max(axis=1, keepdims=True))
    found: FloatArray = total / total.sum(axis=1, keepdims=True)
    return found


def _repairs(causes: Sequence[Cause]) -> tuple[tuple[str, float], ...]:
    found: dict[str, float] = {}
    for cause in causes:
        for part in {CAUSES[one].part for one in cause.parts if one in CAUSES}:
            found[part] = found.get(part, 0.0) + cause.probability
    return tuple(sorted(found.items(), key=lambda item: -item[1]))
