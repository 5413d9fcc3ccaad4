"""What the isolation is told and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.analysis.faults.guided import MINUTES, TESTS, Test

__all__ = ["MINUTES", "TESTS", "Cause", "Observation", "Proposal", "Ranking", "Test"]


@dataclass(frozen=True, slots=True)
class Observation:
    """What one guided test showed: values of its features by name; NaN or absent: not seen."""

    test: str
    features: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Cause:
    """A case: one cause, two at once (named ``a + b``), ``sound`` or ``none_of_these``.

    ``says`` in plain words; ``probability`` 0 to 1 given everything seen and the priors;
    ``speaks_for`` and ``speaks_against`` in plain words, strongest first; only the leading cases
    have any.
    """

    name: str
    says: str
    probability: float
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()

    @property
    def parts(self) -> tuple[str, ...]:
        """The single causes it is made of."""
        return tuple(self.name.split(" + "))


@dataclass(frozen=True, slots=True)
class Ranking:
    """Every case, likeliest first; the probabilities sum to 1.

    ``repairs``: probability of each part to repair, likeliest first: causes that one repair
    cures count together, a pair counts for both of its parts (so these may sum to more than 1).
    """

    causes: tuple[Cause, ...]
    repairs: tuple[tuple[str, float], ...] = ()

    @property
    def top(self) -> Cause:
        """The likeliest case."""
        return self.causes[0]

    @property
    def confidence(self) -> float:
        """How likely every cause of the top case is there, alone or with another one.

        What a first cause hides shows once that is repaired, so this is what to end a session by.
        """
        top = set(self.top.parts)
        return sum(case.probability for case in self.causes if top <= set(case.parts))

    def probability(self, name: str) -> float:
        """Return the probability of a case by name; 0 if there is no such case."""
        return sum(cause.probability for cause in self.causes if cause.name == name)


@dataclass(frozen=True, slots=True)
class Proposal:
    """The test to do next.

    ``gain_bits`` how much it is expected to lower the entropy over the cases (bits); ``minutes``
    its cost; ``why`` which cases it tells apart, in plain words.
    """

    test: str
    gain_bits: float
    minutes: float
    why: str
