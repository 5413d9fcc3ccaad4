"""Whether the unit itself is slow, and what that comes from, in a sentence."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rig.analysis.estimate import Estimate
from rig.analysis.slow import FACTOR_WORDS, Factor, WhySlow
from rig.analysis.wording import direction_words
from rig.diagnosis.layout import amps
from rig.diagnosis.model import Diagnosis, Finding, SlowTurn, Topic, TurnTime

# Units of a type differ: a time this much (part) beyond that of good ones stands out (guess; the
# simulated type spreads by 1 to 2 %).
SLOW_PART = 0.10
# A cause is named from this part of the whole on (guess).
NAMED_PART = 0.10
EARTH = "earth"
"""How `rig.analysis.drop` names a suspect earth."""


# An even drag of the cable is in what is told as friction (`rig.analysis.slow`).
_WORDS = {Factor.FRICTION: "friction (gear, or a cable that drags)"}


def slow_findings(found: Diagnosis) -> list[Finding]:
    """Return a sentence if the unit itself is slow, by its time at the nominal voltage."""
    earth = any(suspect.where == EARTH for suspect in found.drop.suspects)
    slow = [one for one in found.slow if _own_excess_s(one.why, earth) > 0.0]
    if slow:
        worst = max(slow, key=lambda one: _own_excess_s(one.why, earth))
        return [Finding(Topic.SLOW, _slower(worst))]
    late = [one for one in found.times if _late_s(one) > 0.0]
    if late:
        worst_time = max(late, key=_late_s)
        return [Finding(Topic.SLOW, _beyond_limit(worst_time, found))]
    return []


def _own_excess_s(why: WhySlow, earth: bool) -> float:
    """Return by how much a unit is slow of itself (s), 0 unless beyond doubt and spread.

    With a poor earth, which is not the unit's, resistance behind the sensor is not counted.
    """
    good_s, supply_s = why.nominal_s.value, why.shares[Factor.SUPPLY].value
    if why.excess_s is None or good_s is None or supply_s is None:
        return 0.0
    if not why.shares[Factor.FRICTION].known and not why.shares[Factor.LOAD].known:
        return 0.0  # a good unit's friction and load are not known: it was taken to have these
    own_s = why.excess_s - supply_s
    if earth:
        own_s -= why.shares[Factor.RESISTANCE].value or 0.0
    doubt_s = 2.0 * math.hypot(why.half_turn_s.u or 0.0, why.nominal_s.u or 0.0)
    return own_s if own_s > max(doubt_s, SLOW_PART * good_s) else 0.0


def _slower(one: SlowTurn) -> str:
    excess_s = one.why.excess_s or 0.0
    return (
        f"Slow by {excess_s:.2f} s {direction_words(one.direction)}, against a good unit: "
        f"{_shares(one.why.shares, one.why.unexplained, excess_s)}."
    )


def _shares(shares: Mapping[Factor, Estimate], rest: Estimate, excess_s: float) -> str:
    told = [(_WORDS.get(factor, FACTOR_WORDS[factor]), share) for factor, share in shares.items()]
    told.append(("not explained", rest))
    named = [
        (share.value, words)
        for words, share in told
        if share.value is not None
        and share.value > max(NAMED_PART * excess_s, 2.0 * (share.u or 0.0))
    ]
    named.sort(reverse=True)
    if not named:
        return "none of the causes alone is beyond doubt"
    first, *others = named
    parts = [f"{first[0]:.2f} s of it {first[1]}", *(f"{s:.2f} s {words}" for s, words in others)]
    return ", ".join(parts)


def _late_s(one: TurnTime) -> float:
    """Return by how much a half-turn would break the limit at nominal voltage (s), beyond doubt."""
    value, u = one.nominal_s.value, one.nominal_s.u
    if value is None or u is None:
        return 0.0
    return value - one.limit_s if value - one.limit_s > 2.0 * u else 0.0


def _beyond_limit(one: TurnTime, found: Diagnosis) -> str:
    """Say what is known where no good unit is: by exclusion."""
    start = (
        f"Slow: at {found.unit.nominal_v:g} V it would take {one.nominal_s.value:.2f} s "
        f"{direction_words(one.direction)}, {_late_s(one):.2f} s beyond the limit"
    )
    why = next((s.why for s in found.slow if s.direction is one.direction), None)
    friction = found.identity.friction_a
    if why is None or why.excess_s is None:
        return f"{start}. Why cannot be told: {found.missing.get(Topic.SLOW, '')}."
    if friction.value is None:
        return f"{start}. What a good unit has is not known, so the causes are not told apart."
    return (
        f"{start}. Supply, winding and turns account for {max(why.excess_s, 0.0):.2f} s; the rest "
        f"is friction, which alone takes {amps(friction)}, or an even drag of the cable."
    )
