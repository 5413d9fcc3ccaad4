"""Which test to do next: the one that tells most for its minutes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import PRIORS
from rig.analysis.faults.guided import MINUTES, TESTS
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.faults.looks import answer_chances, look_evidence
from rig.analysis.faults.model import Observation, Proposal
from rig.analysis.faults.posterior import besides, log_priors, posterior
from rig.analysis.faults.words import says_of
from rig.analysis.trace import FloatArray

# So many example units stand for what may be; the cases they are of hold this share.
EXAMPLES, SHARE = 48, 0.99
# Less than this expected (bits) is not worth anybody's time.
WORTH_BITS = 0.02
# A probability below this counts as this, so that one odd example does not outweigh all others.
LEAST_CHANCE = 1e-3
# How near an example's values must come to count in full (guess: a tenth of the usual spread).
NEAR = 0.3


def propose(
    knowledge: Knowledge,
    seen: Sequence[Observation],
    priors: Mapping[str, float] = PRIORS,
    possible: Collection[str] = tuple(TESTS),
    minutes: Mapping[str, float] = MINUTES,
    given: str = "",
) -> Proposal | None:
    """Return the test of ``possible``, not yet seen, with the most expected information a minute.

    None if no test is left that tells anything worth its time.  ``minutes`` that are missing count
    as usual; ``given`` is as in `rank`.  ValueError for a test that there is not, or one that
    takes no time.
    """
    unknown = set(possible) - set(TESTS)
    if unknown:
        raise ValueError(f"no such test: {', '.join(sorted(unknown))}")
    done = {observation.test for observation in seen}
    left = [name for name in TESTS if name in possible and name not in done]
    cost = {name: minutes.get(name, MINUTES[name]) for name in left}
    if any(not value > 0.0 for value in cost.values()):
        raise ValueError("a test takes more than no time")
    log_prior = log_priors(knowledge, priors, given)
    row, looked = knowledge.row_of(seen), log_prior + look_evidence(seen)
    now = posterior(knowledge.evidence(row[None, :]), looked)[0]
    picked, weights = _examples(knowledge, row, now)
    best: Proposal | None = None
    for name in left:
        if TESTS[name].is_look:
            gain = _look_gain(now, name)
        else:
            gain = _gain(knowledge, row, looked, name, picked, weights)
        if gain < WORTH_BITS or (best and gain / cost[name] <= best.gain_bits / best.minutes):
            continue
        best = Proposal(name, gain, cost[name], _why(knowledge, now, given))
    return best


def entropy_bits(probabilities: FloatArray) -> FloatArray:
    """Return the entropy (bits) of each row of probabilities."""
    safe = np.where(probabilities > 0.0, probabilities, 1.0)
    found: FloatArray = -(safe * np.log2(safe)).sum(axis=1)
    return found


def _examples(
    knowledge: Knowledge, row: FloatArray, now: FloatArray
) -> tuple[NDArray[np.int64], FloatArray]:
    """Return examples that stand for what the unit may be, with their weights (sum 1).

    Each case has its probability; within it the examples most like what was seen count most.
    """
    known = np.isfinite(row)
    examples = knowledge.examples
    both = known & np.isfinite(examples)
    off = np.where(both, examples - row, 0.0)
    # What one has and the other has not is a difference as well.
    odd = (known & ~np.isfinite(examples)).sum(axis=1)
    far = (np.minimum(off * off, 4.0).sum(axis=1) + odd) / max(int(known.sum()), 1)
    weight = np.zeros(len(examples))
    for case in np.argsort(-now):
        rows = np.flatnonzero(knowledge.example_cases == case)
        if len(rows):
            near = np.exp(-(far[rows] - far[rows].min()) / (2.0 * NEAR**2))
            weight[rows] = now[case] * near / near.sum()
        if weight.sum() > SHARE:
            break
    total = np.cumsum(weight / weight.sum())
    at = np.searchsorted(total, (np.arange(EXAMPLES) + 0.5) / EXAMPLES)
    picked, counts = np.unique(np.minimum(at, len(weight) - 1), return_counts=True)
    return picked, counts / counts.sum()


def _gain(
    knowledge: Knowledge,
    row: FloatArray,
    log_prior: FloatArray,
    test: str,
    picked: NDArray[np.int64],
    weights: FloatArray,
) -> float:
    """Return how much a test is expected to tell of which case it is (bits)."""
    columns = knowledge.columns.get(test)
    if columns is None:
        return 0.0
    # Each example with the same tests done as here, then with this one as well: by how much its
    # own case wins.  What only moves the other cases is no information.
    whole = knowledge.examples[picked]
    case, place = knowledge.example_cases[picked], np.arange(len(picked))
    done = np.isin(np.arange(len(row)), _columns_done(knowledge, row))
    before = np.where(done, whole, np.nan)
    after = before.copy()
    after[:, columns] = whole[:, columns]
    chance = posterior(knowledge.evidence(np.vstack([before, after])), log_prior)
    chance = np.log2(np.maximum(chance, LEAST_CHANCE))
    won = chance[len(place) :][place, case] - chance[: len(place)][place, case]
    return max(float(weights @ won), 0.0)


def _columns_done(knowledge: Knowledge, row: FloatArray) -> NDArray[np.int64]:
    """Return the features of every test of which something was seen."""
    done = [c for c in knowledge.columns.values() if np.isfinite(row[c]).any()]
    return np.concatenate(done) if done else np.empty(0, np.int64)


def _look_gain(now: FloatArray, test: str) -> float:
    """Return the same of a look: its answers are as likely as each case makes them."""
    answers = np.array([now * chances for chances in answer_chances(test).values()])
    chance = answers.sum(axis=1)
    after = answers / np.maximum(chance[:, None], 1e-12)
    return max(float(entropy_bits(now[None, :])[0] - chance @ entropy_bits(after)), 0.0)


def _why(knowledge: Knowledge, now: FloatArray, given: str) -> str:
    first, second = np.argsort(-now, kind="stable")[:2].tolist()
    a, b = (says_of(besides(knowledge.cases[k], given)) for k in (first, second))
    return (
        f"It tells most for its time; so far likeliest: {a} ({now[first]:.0%}), "
        f"then: {b} ({now[second]:.0%})."
    )
