"""What is on the jig or at hand, and which causes and tests go without it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from rig.analysis.faults.causes import CAUSES
from rig.analysis.faults.guided import KNOWN_GOOD_RELAY, TESTS

OWN_RELAY = "own_relay"

PARTED = "broken-cable"
"""A lever without a cable is one whose cable has parted: known beforehand, and no cause."""


@dataclass(frozen=True, slots=True)
class Thing:
    """Something that a unit under suspicion may come with or not, or that the bench may have.

    ``question`` is answered by yes if it is there; ``without`` tells what goes without it.
    ``causes`` are looked for in it, ``tests`` need it; ``instead`` says what is there for it.
    """

    name: str
    question: str
    without: str
    causes: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()
    instead: str = ""

    @property
    def cost(self) -> str:
        """What an isolation goes without if it is not there."""
        cost = "no fault of these parts is looked for" if self.causes else "its test is left out"
        return f"{self.instead}; {cost}" if self.instead else cost

    @property
    def if_not(self) -> str:
        """The same as a sentence for whoever is asked."""
        return f"If not, {self.cost}."


def _of_parts(*parts: str) -> tuple[str, ...]:
    return tuple(name for name, kind in CAUSES.items() if kind.part in parts)


def _needing(need: str) -> tuple[str, ...]:
    return tuple(name for name, test in TESTS.items() if need in test.needs)


_ALL = (
    Thing(
        "cable",
        "Is the unit's own cable hooked on the lever?",
        "the cable is not on the lever",
        _of_parts("cable"),
        (*_needing("cable"), "look_cable"),
    ),
    Thing(
        OWN_RELAY,
        "Is the unit's own relay in it?",
        "the unit's own relay is not in it",
        _of_parts("relay"),
        (*_needing(KNOWN_GOOD_RELAY), "look_coil"),
        "a known good one stays in it",
    ),
    Thing(
        KNOWN_GOOD_RELAY,
        "Is a relay at hand that is known to be good and fits the unit?",
        "no known good relay is at hand",
        tests=_needing(KNOWN_GOOD_RELAY),
    ),
    Thing(
        "wiring",
        "Is the unit fed through the fuse holder and the earth lead that it came with?",
        "the fuse holder and the earth lead it came with are not in the feed",
        _of_parts("fuse holder", "fuse", "earth"),
        ("look_fuse_holder", "look_earth"),
    ),
)

THINGS: Mapping[str, Thing] = {thing.name: thing for thing in _ALL}
"""Every thing that is asked for, by the name that plans use."""


def missing(at_hand: Collection[str]) -> tuple[Thing, ...]:
    """Return the things that are not among ``at_hand``."""
    return tuple(thing for thing in _ALL if thing.name not in at_hand)


def priors_with(priors: Mapping[str, float], at_hand: Collection[str]) -> dict[str, float]:
    """Return ``priors`` with the causes ruled out whose part is not there."""
    gone = {cause for thing in missing(at_hand) for cause in thing.causes}
    return {name: 0.0 if name in gone else prior for name, prior in priors.items()}


def given_with(at_hand: Collection[str]) -> str:
    """Return the cause that is known to be there for what is missing; empty if none is."""
    return "" if "cable" in at_hand else PARTED


def tests_without(at_hand: Collection[str]) -> frozenset[str]:
    """Return the tests that cannot be done for what is missing."""
    return frozenset(test for thing in missing(at_hand) for test in thing.tests)


def not_looked_for(priors: Mapping[str, float]) -> tuple[str, ...]:
    """Return the single causes that the priors rule out, by name."""
    return tuple(name for name in CAUSES if priors.get(name, 1.0) <= 0.0)
