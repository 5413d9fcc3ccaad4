"""What an isolation reasons with: from a test's trace to the ranking and the next proposal."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from rig.analysis.faults.features import features_of
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.faults.model import Observation, Proposal, Ranking
from rig.analysis.faults.posterior import TOLD, rank
from rig.analysis.faults.propose import propose
from rig.analysis.model import Accuracy, Limits, UnitType
from rig.analysis.trace import Trace
from rig.bench.errors import RefusedError


class Reasoner(Protocol):
    """How an isolation thinks; every method may take its time."""

    def see(
        self, test: str, trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy
    ) -> Observation:
        """Return what the trace of a test shows."""
        ...

    def rank(self, seen: Sequence[Observation]) -> Ranking:
        """Return every case with its probability."""
        ...

    def propose(self, seen: Sequence[Observation], possible: Collection[str]) -> Proposal | None:
        """Return the test to do next; None if none is worth its time."""
        ...


@dataclass(frozen=True)
class Learnt:
    """Reasons with the knowledge that ships, and a plan's own priors and minutes.

    ``given`` is a cause that is known to be there (`rig.analysis.faults.posterior.rank`).
    """

    priors: Mapping[str, float]
    minutes: Mapping[str, float]
    given: str = ""

    def see(
        self, test: str, trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy
    ) -> Observation:
        """Return what the trace of a test shows."""
        return features_of(test, trace, unit, limits, accuracy)

    def rank(self, seen: Sequence[Observation]) -> Ranking:
        """Return every case with its probability."""
        return rank(_knowledge(), seen, self.priors, self.given)

    def propose(self, seen: Sequence[Observation], possible: Collection[str]) -> Proposal | None:
        """Return the test to do next; None if none is worth its time."""
        return propose(_knowledge(), seen, self.priors, possible, self.minutes, self.given)


def _knowledge() -> Knowledge:
    """Return what ships, read on first use; RefusedError if it cannot be used."""
    from rig.isolation.knowledge import KnowledgeError, load

    try:
        return load()
    except KnowledgeError as error:
        raise RefusedError(str(error)) from error


def leading(ranking: Ranking) -> Ranking:
    """Return ``ranking`` with its leading causes only: what comes after is next to nothing."""
    return replace(ranking, causes=ranking.causes[:TOLD])
