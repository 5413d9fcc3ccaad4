"""What an isolation reasons with: from a test's trace to the ranking and the next proposal."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from rig.analysis.faults.features import features_of
from rig.analysis.faults.model import Observation, Proposal, Ranking
from rig.analysis.faults.posterior import propose, rank
from rig.analysis.model import Accuracy, Limits, UnitType
from rig.analysis.trace import Trace

TOLD = 12
"""So many leading causes are told and recorded; what comes after them is next to nothing."""


class Reason(Protocol):
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
    """Reasons with the knowledge that ships, and a plan's own priors and minutes."""

    priors: Mapping[str, float]
    minutes: Mapping[str, float]

    def see(
        self, test: str, trace: Trace, unit: UnitType, limits: Limits, accuracy: Accuracy
    ) -> Observation:
        """Return what the trace of a test shows."""
        return features_of(test, trace, unit, limits, accuracy)

    def rank(self, seen: Sequence[Observation]) -> Ranking:
        """Return every case with its probability."""
        from rig.isolation.knowledge import load

        return rank(load(), seen, self.priors)

    def propose(self, seen: Sequence[Observation], possible: Collection[str]) -> Proposal | None:
        """Return the test to do next; None if none is worth its time."""
        from rig.isolation.knowledge import load

        return propose(load(), seen, self.priors, possible, self.minutes)


def leading(ranking: Ranking) -> Ranking:
    """Return ``ranking`` with its leading causes only."""
    return replace(ranking, causes=ranking.causes[:TOLD])
