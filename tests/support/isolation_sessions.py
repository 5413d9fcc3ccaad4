"""Guided sessions on simulated units with known causes: what is proposed, done and concluded."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from math import pi

from drivers.simulated.parameters import RelayParameters, UnitParameters
from rig.analysis.faults.at_hand import PARTED, THINGS, given_with, priors_with, tests_without
from rig.analysis.faults.causes import CAUSES, PRIORS, SOUND, TWO_AT_ONCE, pairs
from rig.analysis.faults.choose import choose
from rig.analysis.faults.features import answer_of, features_of
from rig.analysis.faults.guided import MINUTES, TESTS
from rig.analysis.faults.knowledge import Knowledge, cases
from rig.analysis.faults.looks import answer_chances
from rig.analysis.faults.model import Observation, Proposal, Ranking
from rig.analysis.faults.posterior import rank
from rig.analysis.faults.propose import propose
from rig.analysis.half_turns import find_half_turns
from rig.analysis.judge import judge_half_turns, judge_measures
from rig.analysis.model import UnitType, Verdict, VoltageLimit
from rig.analysis.rest import rest_draw
from rig.isolation.drawn import Case, draw
from rig.isolation.trial import LM_12_LIMITS, Trial, whole_history

SURE = 0.95
SUPPLY_TESTS = frozenset({"low_supply", "high_supply"})
# The order in which somebody without a guide goes, dead or not: common practice, no published
# source.
FIXED = (
    "rest", "turns", "look_battery_feed", "look_ignition_feed", "known_good_relay",
    "look_fuse_holder", "look_earth", "look_connector", "look_cable", "look_lever", "unhooked",
    "direct", "low_supply", "high_supply", "loaded", "jam", "look_water",
)  # fmt: skip


@dataclass(frozen=True)
class Session:
    """How a session ended: the case, what was done in order, and the ranking at the end."""

    case: Case
    done: tuple[str, ...]
    minutes: float
    ranking: Ranking
    breaks_limit: bool

    @property
    def right(self) -> bool:
        return self.ranking.top.name == self.case.name

    @property
    def found(self) -> bool:
        """Whether all that the top case names is there, be it a part of what is."""
        if not self.case.causes:
            return self.right
        return set(self.ranking.top.parts) <= {name for name, _ in self.case.causes}

    @property
    def right_repair(self) -> bool:
        """Whether what is to be repaired is right, though the cause may be its neighbour."""
        return _repairs(self.ranking.top.name) == _repairs(self.case.name)


def _repairs(name: str) -> frozenset[str]:
    return frozenset(CAUSES[one].part if one in CAUSES else one for one in name.split(" + "))


def drawn_case(seed: int, *, cable: bool = True) -> Case:
    """Return a unit as the shipped priors have them met; without ``cable`` one cause at most."""
    rng = random.Random(f"session {seed}")
    names = [*CAUSES, SOUND, TWO_AT_ONCE]
    if not cable:
        names = [*(name for name in CAUSES if CAUSES[name].part != "cable"), SOUND]
    name = rng.choices(names, [PRIORS[each] for each in names])[0]
    if name == SOUND:
        return draw((), seed)
    if name == TWO_AT_ONCE:
        both = pairs()
        weights = [PRIORS[a] * PRIORS[b] for a, b in both]
        return draw(rng.choices(both, weights)[0], seed)
    return draw((name,), seed)


class Unit:
    """A unit on the bench: does guided tests and looks, each once; ``cable``: it is on the lever.

    ``case`` is what is wrong with it, be its cable there or not.
    """

    def __init__(
        self,
        case: Case,
        coil_seen: bool = True,
        make: Callable[[Case], Trial] = Trial,
        *,
        cable: bool = True,
    ) -> None:
        self.case = case
        self.trial = make(case if cable else Case((*case.causes, (PARTED, 1.0)), case.seed))
        self.coil_seen = coil_seen
        self._rng = random.Random(f"looks {case.seed}")

    def do(self, test: str) -> Observation:
        if TESTS[test].is_look:
            answers = answer_chances(test)
            chances = [chance[cases().index(self.case.name)] for chance in answers.values()]
            return answer_of(test, self._rng.choices(list(answers), chances)[0])
        trial = self.trial
        seen = features_of(test, trial.trace(test), trial.unit, trial.limits, trial.accuracy)
        if not self.coil_seen:
            kept = {k: v for k, v in seen.features.items() if not k.startswith("coil")}
            return Observation(test, kept)
        return seen


# A type of our own invention that differs in every part from the LM-12 that was learnt from.
OTHER = UnitParameters(
    winding_ohm=1.1,
    inductance_h=0.9e-3,
    constant_vs=0.036,
    rotor_kgm2=2e-5,
    gear=95.0,
    dry_nm=0.022,
    cable_nm=1.5,
    relay=RelayParameters(coil_ohm=110.0, pull_in_v=6.5),
)
OTHER_TYPE = UnitType("LM-20", 12.0, OTHER.winding_ohm, OTHER.constant_vs * OTHER.gear * pi)
OTHER_LIMITS = replace(
    LM_12_LIMITS,
    half_turn_max_s=VoltageLimit(((8.0, 3.0), (12.0, 1.7), (16.0, 1.4))),
    run_max_a=3.4,
)


def other_type(case: Case) -> Trial:
    """Return a trial of a unit of `OTHER_TYPE`."""
    return Trial(case, OTHER_TYPE, OTHER_LIMITS, OTHER)


def breaks_limit(case: Case, make: Callable[[Case], Trial] = Trial) -> bool:
    """Whether rest draw and half-turns, taken from new, get anything but a pass."""
    trial = make(case)
    rest = rest_draw(trial.trace("rest"), trial.accuracy)
    turns = find_half_turns(trial.trace("turns"), trial.unit, trial.limits, trial.accuracy)
    reasons = (*judge_half_turns(turns, trial.limits), *judge_measures([rest], trial.limits))
    return any(reason.verdict is not Verdict.PASS for reason in reasons)


@dataclass(frozen=True)
class Mind:
    """What a session thinks with: the knowledge, and what is on the jig."""

    knowledge: Knowledge
    at_hand: tuple[str, ...] = tuple(THINGS)

    @property
    def priors(self) -> dict[str, float]:
        return priors_with(PRIORS, self.at_hand)

    def rank(self, seen: list[Observation]) -> Ranking:
        return rank(self.knowledge, seen, self.priors, given_with(self.at_hand))

    def propose(self, seen: Sequence[Observation], possible: Collection[str]) -> Proposal | None:
        given = given_with(self.at_hand)
        return propose(self.knowledge, seen, self.priors, possible, MINUTES, given)


Next = Callable[[Mind, list[Observation], set[str], Ranking], str | None]


def guided(mind: Mind, seen: list[Observation], possible: set[str], ranking: Ranking) -> str | None:
    sure = ranking.confidence >= SURE
    found = choose(ranking, seen, possible, mind.propose, sure=sure).proposal
    return None if found is None else found.test


def by_order(
    mind: Mind, seen: list[Observation], possible: set[str], ranking: Ranking
) -> str | None:
    left = [test for test in FIXED if test in possible]
    return left[0] if left and ranking.confidence < SURE else None


def session(
    knowledge: Knowledge,
    case: Case,
    *,
    supply: bool,
    coil: bool,
    after: Next = guided,
    make: Callable[[Case], Trial] = Trial,
    cable: bool = True,
) -> Session:
    """Go on with the next test until one case is sure enough or nothing is left to do."""
    with whole_history():
        unit = Unit(case, coil, make, cable=cable)
        mind = Mind(knowledge, tuple(name for name in THINGS if cable or name != "cable"))
        possible = {name for name in TESTS if supply or name not in SUPPLY_TESTS}
        possible -= tests_without(mind.at_hand)
        seen: list[Observation] = []
        ranking = mind.rank(seen)
        while (test := after(mind, seen, possible, ranking)) is not None:
            possible.discard(test)
            seen.append(unit.do(test))
            ranking = mind.rank(seen)
        done = tuple(one.test for one in seen)
        minutes = sum(MINUTES[test] for test in done)
        return Session(case, done, minutes, ranking, breaks_limit(case, make))
