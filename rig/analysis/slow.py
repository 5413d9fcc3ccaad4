"""Slow, but why?  How many milliseconds of a half-turn come from what.

The time a good unit of the type would take and the time this one took are both worked out from the
motor's relations (`turn_time`).  Between them lie seven differences: supply, warmth, resistance,
turns, friction, load, answer.  Each one's share is what its swap changes, averaged over all orders
in which the seven can be swapped (L. S. Shapley, A value for n-person games, 1953; from memory):
that treats all alike, and the shares add up exactly.  What the relations do not explain is told as
such.

Friction is what the identity calls so.  If the motor was identified with its cable on, the cable's
even drag is in it.  Shorted turns take back-EMF and resistance down together, and drag like a
generator on itself: a part s of the turns, with K s w across R s, brakes with s K^2 w / R.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np

from rig.analysis.at_voltage import TAU_S, TAU_U_S, VISCOUS, VISCOUS_U, Drive, drive_at_u, freedom
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import Accuracy, HalfTurn
from rig.analysis.motor import MotorIdentity
from rig.analysis.slow_values import (
    Nominal,
    Timed,
    Values,
    good_values,
    nominal_of_good,
    nominal_of_type,
    one_load,
    seen_values,
    timed,
    timed_u,
)
from rig.analysis.trace import FloatArray
from rig.analysis.turn_time import TURN_RAD, Turning, half_turn_time
from rig.quality.decision import COVERAGE

__all__ = [
    "FACTOR_WORDS",
    "Factor",
    "Nominal",
    "WhySlow",
    "at_nominal_v",
    "nominal_of_good",
    "nominal_of_type",
    "why_slow",
]

AS_IT_COMES = Accuracy()
NOT_TIMED = "The half-turn has no time, no voltage or no charge that could be measured."
WOULD_STAND = "With some of a good unit's values it would not turn at all."
# Turns count as shorted, and their drag as theirs, if at least this part of the back-EMF is gone,
# and the resistance is down by half as much or more (guesses: units of a type differ by 1 or 2 %,
# weak magnets leave the resistance as it is).
SHORTED_LEAST, SHORTED_OHM = 0.05, 0.5


class Factor(StrEnum):
    """What may make a half-turn slow."""

    SUPPLY = "supply"
    WARMTH = "warmth"
    RESISTANCE = "resistance"
    TURNS = "turns"
    FRICTION = "friction"
    LOAD = "load"
    ANSWER = "answer"


FACTOR_WORDS = {
    Factor.SUPPLY: "weak supply",
    Factor.WARMTH: "warm winding",
    Factor.RESISTANCE: "resistance of winding, brushes and leads",
    Factor.TURNS: "shorted turns",
    Factor.FRICTION: "friction",
    Factor.LOAD: "load",
    Factor.ANSWER: "late answer of the relay",
}
_FACTORS = tuple(Factor)


@dataclass(frozen=True, slots=True)
class WhySlow:
    """A half-turn's time taken apart.

    ``half_turn_s`` as measured, ``nominal_s`` what a good unit would take; ``shares`` how much of
    the difference comes from what (s, negative = faster); ``unexplained`` what is left.  Shares
    that have a value and ``unexplained`` add up to the difference.  All with standard
    uncertainties.
    """

    half_turn_s: Estimate
    nominal_s: Estimate
    shares: Mapping[Factor, Estimate]
    unexplained: Estimate

    @property
    def excess_s(self) -> float | None:
        """How much longer it took than a good unit (s)."""
        if self.half_turn_s.value is None or self.nominal_s.value is None:
            return None
        return self.half_turn_s.value - self.nominal_s.value


def why_slow(
    half_turn: HalfTurn,
    identity: MotorIdentity,
    nominal: Nominal,
    accuracy: Accuracy = AS_IT_COMES,
) -> WhySlow:
    """Return where a half-turn's time comes from.

    What ``nominal`` does not know is taken to be as in this half-turn; its share has no value then,
    and says what is missing.  Friction that the identity does not know is in the load's share.  No
    share has a value if half-turn or identity do not tell enough, or if the motor would stand with
    some of the values swapped.
    """
    seen = seen_values(half_turn, identity, accuracy)
    if seen is None:
        return _nothing(half_turn, _lacks(identity))
    parted = identity.friction_a.known
    good = good_values(nominal if parted else one_load(nominal), seen.values)
    brake = nominal.brake_at_park
    found = _apart(seen.values, good.values, brake)
    if found is None:
        return _nothing(half_turn, WOULD_STAND)
    square = np.zeros(len(found))
    moved = [(one, good.values) for one in seen.moved] + [(seen.values, one) for one in good.moved]
    for pair in moved:
        one = _apart(*pair, brake)
        square += np.inf if one is None else (one - found) ** 2
    got = [
        Estimate(float(value), float(u), "s")
        for value, u in zip(found, np.sqrt(square), strict=True)
    ]
    shares = dict(zip(_FACTORS, got, strict=False)) | _untold(nominal, identity)
    measured = Estimate(half_turn.half_turn_s, seen.u(lambda v: v.half_turn_s), "s")
    return WhySlow(measured, nominal_s=got[-2], shares=shares, unexplained=got[-1])


def at_nominal_v(
    half_turn: HalfTurn,
    identity: MotorIdentity,
    nominal_v: float,
    brake_at_park: bool | None = None,
    accuracy: Accuracy = AS_IT_COMES,
) -> Estimate:
    """Return the half-turn's time as it would be at ``nominal_v`` volts at the unit (s).

    ``brake_at_park`` as in `UnitType`: how far a unit coasts depends on its speed.
    Only the resistance must be known; the time constant and friction's growth with speed are
    guessed if they are not.
    """
    ohm, own = identity.circuit_ohm, timed(half_turn)
    if ohm.value is None:
        return unknown("s", ohm.missing)
    if own is None:
        return unknown("s", NOT_TIMED)
    tau = identity.time_constant_s
    if tau.value is None:
        tau = Estimate(TAU_S, TAU_U_S, "s")
    viscous, viscous_u = _viscous(own, identity)
    free, free_u = freedom(brake_at_park)
    own_u = timed_u(half_turn, own, accuracy)
    found = drive_at_u(
        _drive(own, (ohm.value, tau.value or 0.0, viscous, free)),
        _drive(own_u, (ohm.u or 0.0, tau.u or 0.0, viscous_u, free_u)),
        nominal_v,
    )
    if found is None:
        return unknown("s", f"It would not turn at {nominal_v:g} V, or its resistance is unsure.")
    return Estimate(found[0], found[1], "s")


def _drive(own: Timed, rest: tuple[float, float, float, float]) -> Drive:
    return Drive(own.half_turn_s, own.delay_s, own.supply_v, own.charge_c, *rest)


def _viscous(own: Timed, identity: MotorIdentity) -> tuple[float, float]:
    """Return which part of the current follows the speed, and its standard uncertainty."""
    growth = identity.viscous_as_per_rev
    if growth.value is None or own.charge_c <= 0.0:
        return VISCOUS, VISCOUS_U
    # Half a revolution, times A s for each revolution, is the charge that goes there.
    return 0.5 * growth.value / own.charge_c, 0.5 * (growth.u or 0.0) / own.charge_c


# --- taking apart --------------------------------------------------------------------------------


def _apart(seen: Values, good: Values, brake: bool | None) -> FloatArray | None:
    """Return every factor's share, the good unit's time and what is unexplained (s)."""
    n = len(_FACTORS)
    times: dict[frozenset[Factor], float] = {}
    for size in range(n + 1):
        for chosen in combinations(_FACTORS, size):
            taken = frozenset(chosen)
            time_s = half_turn_time(_turning(seen, good, taken, brake))
            if time_s is None:
                return None
            times[taken] = time_s
    weights = [math.factorial(k) * math.factorial(n - k - 1) / math.factorial(n) for k in range(n)]
    shares = [
        sum(
            weights[len(taken)] * (times[taken | {factor}] - time_s)
            for taken, time_s in times.items()
            if factor not in taken
        )
        for factor in _FACTORS
    ]
    good_s, seen_s = times[frozenset()], times[frozenset(_FACTORS)]
    return np.array([*shares, good_s, seen.half_turn_s - seen_s])


def _turning(seen: Values, good: Values, taken: frozenset[Factor], brake: bool | None) -> Turning:
    """Return a half-turn that is the seen one's in the factors ``taken``, else the good one's."""

    def of(factor: Factor) -> Values:
        return seen if factor in taken else good

    # Turns that are gone take back-EMF and resistance along; what is left over is resistance.
    left = seen.emf_vs_per_rev / good.emf_vs_per_rev
    turns = left if Factor.TURNS in taken else 1.0
    more_ohm = seen.circuit_ohm - seen.warm_ohm - left * good.circuit_ohm
    ohm = turns * good.circuit_ohm
    ohm += more_ohm if Factor.RESISTANCE in taken else 0.0
    ohm += seen.warm_ohm if Factor.WARMTH in taken else 0.0
    drag_nms, drag_nm = _shorted_drag(seen, good)
    torque_nm = of(Factor.FRICTION).friction_nm + of(Factor.LOAD).load_nm
    return Turning(
        supply_v=of(Factor.SUPPLY).supply_v,
        ohm=max(ohm, 1e-3),
        emf_vs_per_rev=turns * good.emf_vs_per_rev,
        torque_nm=torque_nm - (drag_nm if Factor.FRICTION in taken else 0.0),
        inertia_kgm2=seen.inertia_kgm2,
        delay_s=of(Factor.ANSWER).delay_s,
        source_ohm=of(Factor.SUPPLY).source_ohm,
        drag_nms=drag_nms if Factor.TURNS in taken else 0.0,
        brake_at_park=brake,
    )


def _shorted_drag(seen: Values, good: Values) -> tuple[float, float]:
    """Return the drag of shorted turns (N m for each rad/s), and the torque at the speed seen.

    It was seen as friction.  Nothing if no turns are shorted.
    """
    lost = 1.0 - seen.emf_vs_per_rev / good.emf_vs_per_rev
    cold_ohm = seen.circuit_ohm - seen.warm_ohm
    if lost < SHORTED_LEAST or cold_ohm > good.circuit_ohm * (1.0 - SHORTED_OHM * lost):
        return 0.0, 0.0
    drag_nms = lost * (good.emf_vs_per_rev / TURN_RAD) ** 2 / good.circuit_ohm
    nm_per_a = seen.emf_vs_per_rev / TURN_RAD
    torque_nm = seen.friction_nm + seen.load_nm
    rad_s = (seen.supply_v - seen.circuit_ohm * torque_nm / nm_per_a) / nm_per_a
    return drag_nms, drag_nms * max(rad_s, 0.0)


# --- what is not known ---------------------------------------------------------------------------


def _untold(nominal: Nominal, identity: MotorIdentity) -> dict[Factor, Estimate]:
    """Return the factors of which nothing can be said, and what is missing to say it."""
    told = {
        Factor.TURNS: nominal.emf_vs_per_rev,
        Factor.FRICTION: nominal.friction_nm,
        Factor.LOAD: nominal.load_nm,
        Factor.ANSWER: nominal.delay_s,
    }
    found = {f: unknown("s", e.missing) for f, e in told.items() if e.value is None}
    if identity.friction_a.value is None:
        found[Factor.FRICTION] = unknown("s", identity.friction_a.missing)
    return found


def _lacks(identity: MotorIdentity) -> str:
    for estimate in (identity.circuit_ohm, identity.emf_vs_per_rev, identity.time_constant_s):
        if estimate.value is None:
            return estimate.missing
    return NOT_TIMED


def _nothing(turn: HalfTurn, missing: str) -> WhySlow:
    none = unknown("s", missing)
    u_s = None if turn.half_turn_u_s is None else turn.half_turn_u_s / COVERAGE
    measured = Estimate(turn.half_turn_s, u_s, "s") if turn.half_turn_s is not None else none
    return WhySlow(measured, none, dict.fromkeys(Factor, none), none)
