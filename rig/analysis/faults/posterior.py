"""The probability of every case given what was seen, and the test that would tell most.

Every function here is pure; `rig.isolation.knowledge.load` gives the ``Knowledge`` that ships.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from rig.analysis.faults.model import Observation, Proposal, Ranking


@dataclass(frozen=True)
class Knowledge:
    """What was learnt of the causes (`rig.isolation.learn`)."""


def rank(knowledge: Knowledge, seen: Sequence[Observation], priors: Mapping[str, float]) -> Ranking:
    """Return every case with its probability, likeliest first.

    ``priors`` by name of cause, in parts of any whole, with ``sound``, ``none_of_these`` and
    ``two_at_once``; a name that is missing counts as the shipped prior, zero excludes the cause
    and every pair with it.  Order of ``seen`` does not matter; of a test seen twice the later
    counts.
    """
    raise NotImplementedError


def propose(
    knowledge: Knowledge,
    seen: Sequence[Observation],
    priors: Mapping[str, float],
    possible: Collection[str],
    minutes: Mapping[str, float],
) -> Proposal | None:
    """Return the test of ``possible``, not yet seen, with the most expected information a minute.

    None if no test is left that tells anything worth its time.
    """
    raise NotImplementedError
