"""A small mind for isolations: five causes that differ in which tests a unit works in."""

from __future__ import annotations

from math import log2

from rig.analysis.faults.guided import MINUTES
from rig.analysis.faults.model import Cause, Observation, Proposal, Ranking
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Outcome

# Which tests a unit with the cause fails; trade reasoning (common practice, no published source).
FAILS = {
    "sound": set(),
    "relay-dead": {"turns"},
    "open-winding": {"turns", "known_good_relay", "direct"},
    "cam-dead-spot": {"turns", "known_good_relay"},
    "ignition-open": {"turns", "known_good_relay", "look_ignition_feed"},
}
TELLING = ("turns", "known_good_relay", "direct", "look_ignition_feed")
SURE = 0.99  # how likely a test shows what it should


class Guesser:
    """Weighs `FAILS` by Bayes' rule, every cause as usual as every other."""

    def see(self, test, trace, unit, limits, accuracy):
        if test == "direct":
            return Observation(test, {"fault": float(trace.current_a.max() < 0.5)})
        turns = find_half_turns(trace, unit, limits, accuracy)
        parked = bool(turns) and all(turn.outcome is Outcome.PARKED for turn in turns)
        return Observation(test, {"fault": float(not parked)})

    def rank(self, seen):
        weights = self._weights({o.test: o.features["fault"] > 0.5 for o in seen})
        return Ranking(
            tuple(
                Cause(
                    name,
                    "the unit is sound" if name == "sound" else name.replace("-", " "),
                    weight,
                    tuple(f"{o.test} fits" for o in seen),
                )
                for name, weight in sorted(weights.items(), key=lambda item: -item[1])
            )
        )

    def propose(self, seen, possible):
        shown = {o.test: o.features["fault"] > 0.5 for o in seen}
        gains = {
            test: (_bits(self._weights(shown)) - self._expected(shown, test)) / MINUTES[test]
            for test in TELLING
            if test in possible
        }
        if not gains:
            return None
        test = max(gains, key=lambda name: gains[name])
        return Proposal(test, gains[test] * MINUTES[test], MINUTES[test], "it tells most.")

    def _weights(self, shown):
        weights = {
            name: _product(
                SURE if (test in fails) is bad else 1.0 - SURE for test, bad in shown.items()
            )
            for name, fails in FAILS.items()
        }
        whole = sum(weights.values())
        return {name: weight / whole for name, weight in weights.items()}

    def _expected(self, shown, test):
        weights = self._weights(shown)
        bad = sum(weights[name] for name, fails in FAILS.items() if test in fails)
        after = {way: _bits(self._weights({**shown, test: way})) for way in (True, False)}
        return bad * after[True] + (1.0 - bad) * after[False]


def _bits(weights):
    return -sum(p * log2(p) for p in weights.values() if p > 0.0)


def _product(factors):
    found = 1.0
    for factor in factors:
        found *= factor
    return found
