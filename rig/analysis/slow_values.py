"""The numbers that a half-turn's time is taken apart into: as seen, and as of a good unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.estimate import Estimate, unknown
from rig.analysis.levels import median
from rig.analysis.model import Accuracy, HalfTurn, UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.turn_time import TURN_RAD
from rig.quality.decision import COVERAGE

GOOD_ONES = "What a good unit of the type has is not known: run this plan on a few good ones."


@dataclass(frozen=True, slots=True)
class Nominal:
    """A good half-turn of the type, in the same direction.

    ``supply_v`` (V) while it turns; ``circuit_ohm`` at 20 degrees C; ``emf_vs_per_rev`` (V s);
    ``friction_nm`` and ``load_nm`` at the output (N m); ``delay_s`` from the feed change to the
    first current; ``source_ohm`` of what feeds it; ``brake_at_park`` as in `UnitType`.
    """

    supply_v: float
    circuit_ohm: Estimate
    emf_vs_per_rev: Estimate
    friction_nm: Estimate
    load_nm: Estimate
    delay_s: Estimate
    source_ohm: float = 0.0
    brake_at_park: bool | None = None


@dataclass(frozen=True, slots=True)
class Values:
    """What a half-turn's time is worked out from; units as in `Nominal`.

    ``circuit_ohm`` with its warmth, ``warm_ohm`` the part of it that is warmth.
    """

    half_turn_s: float
    supply_v: float
    circuit_ohm: float
    warm_ohm: float
    emf_vs_per_rev: float
    friction_nm: float
    load_nm: float
    inertia_kgm2: float
    delay_s: float
    source_ohm: float


@dataclass(frozen=True, slots=True)
class Known:
    """Values, and what they become when each uncertain root of them moves by its standard u."""

    values: Values
    moved: tuple[Values, ...]

    def u(self, of: Callable[[Values], float]) -> float:
        """Return the standard uncertainty of one of the values."""
        middle = of(self.values)
        return math.sqrt(sum((of(one) - middle) ** 2 for one in self.moved))


@dataclass(frozen=True, slots=True)
class Timed:
    """Of a half-turn alone: time, answer (s), voltage (V) and charge above rest (C).

    ``source_ohm`` by how far the voltage fell at the inrush's peak, 0 if that was not measured.
    """

    half_turn_s: float
    delay_s: float
    supply_v: float
    charge_c: float
    source_ohm: float = 0.0


def timed(turn: HalfTurn) -> Timed | None:
    """Return a half-turn's own numbers; None if one of them was not measured."""
    time_s, supply_v = turn.half_turn_s, turn.supply_v
    if time_s is None or supply_v is None or not supply_v > 0.0 or turn.charge_c is None:
        return None
    delay_s = turn.response_s if turn.response_s is not None else 0.0
    charge_c = turn.charge_c - (turn.rest_a or 0.0) * (time_s - delay_s)
    sag_v, peak_a = turn.sag_v or 0.0, turn.peak_a or 0.0
    source_ohm = max(sag_v, 0.0) / peak_a if peak_a > 0.0 else 0.0
    return Timed(time_s, delay_s, supply_v, charge_c, source_ohm)


def timed_u(turn: HalfTurn, of: Timed, accuracy: Accuracy) -> Timed:
    """Return the standard uncertainties of a half-turn's own numbers."""
    u_s = (turn.half_turn_u_s or 0.0) / COVERAGE
    return Timed(
        u_s,
        u_s,
        accuracy.voltage_u_v(of.supply_v),
        math.hypot(accuracy.gain_u_rel * of.charge_c, accuracy.offset_u_a * of.half_turn_s),
    )


def seen_values(turn: HalfTurn, identity: MotorIdentity, accuracy: Accuracy) -> Known | None:
    """Return what a half-turn and its motor's identity amount to; None if they lack something."""
    own = timed(turn)
    ohm, constant, tau = identity.circuit_ohm, identity.emf_vs_per_rev, identity.time_constant_s
    if own is None or ohm.value is None or constant.value is None or tau.value is None:
        return None
    cold_ohm = identity.circuit_20c_ohm.value
    friction = identity.friction_a
    roots = _Roots(
        own,
        ohm.value,
        0.0 if cold_ohm is None else 1.0 - cold_ohm / ohm.value,
        constant.value,
        tau.value,
        friction.value or 0.0,
    )
    middle = roots.values()
    if middle is None:
        return None
    own_u = timed_u(turn, own, accuracy)
    others = (
        replace(roots, own=replace(own, half_turn_s=own.half_turn_s + own_u.half_turn_s)),
        replace(roots, own=replace(own, delay_s=own.delay_s + own_u.delay_s)),
        replace(roots, own=replace(own, supply_v=own.supply_v + own_u.supply_v)),
        replace(roots, own=replace(own, charge_c=own.charge_c + own_u.charge_c)),
        replace(roots, ohm=roots.ohm + (ohm.u or 0.0)),
        replace(roots, constant=roots.constant + (constant.u or 0.0)),
        replace(roots, tau_s=roots.tau_s + (tau.u or 0.0)),
        replace(roots, friction_a=roots.friction_a + (friction.u or 0.0)),
    )
    found = [one.values() for one in others]
    return Known(middle, tuple(one for one in found if one is not None))


@dataclass(frozen=True, slots=True)
class _Roots:
    """What was measured or identified, each by itself."""

    own: Timed
    ohm: float
    warm_part: float
    constant: float
    tau_s: float
    friction_a: float

    def values(self) -> Values | None:
        """Return the values that follow; None if the half-turn was over before it had run up."""
        own = self.own
        turned_s = own.half_turn_s - own.delay_s - self.tau_s
        if turned_s <= 0.0:
            return None
        nm_per_a = self.constant / TURN_RAD
        # Of the charge, speeding the rotor up takes tau E / R; the mean of the rest is the load's.
        mean_a = (own.charge_c - self.tau_s * own.supply_v / self.ohm) / turned_s
        friction_nm = self.friction_a * nm_per_a
        return Values(
            half_turn_s=own.half_turn_s,
            supply_v=own.supply_v,
            circuit_ohm=self.ohm,
            warm_ohm=self.warm_part * self.ohm,
            emf_vs_per_rev=self.constant,
            friction_nm=friction_nm,
            load_nm=mean_a * nm_per_a - friction_nm,
            inertia_kgm2=self.tau_s * nm_per_a**2 / self.ohm,
            delay_s=own.delay_s,
            source_ohm=own.source_ohm,
        )


def one_load(nominal: Nominal) -> Nominal:
    """Return a good unit whose friction is counted with its load."""
    friction, load = nominal.friction_nm, nominal.load_nm
    if friction.value is None or load.value is None:
        return nominal
    u = math.hypot(friction.u or 0.0, load.u or 0.0)
    together = Estimate(friction.value + load.value, u, "N m")
    return replace(nominal, friction_nm=Estimate(0.0, 0.0, "N m"), load_nm=together)


def good_values(nominal: Nominal, seen: Values) -> Known:
    """Return a good unit's values; what is not known of it is taken as it was seen."""
    told = {
        "circuit_ohm": nominal.circuit_ohm,
        "emf_vs_per_rev": nominal.emf_vs_per_rev,
        "friction_nm": nominal.friction_nm,
        "load_nm": nominal.load_nm,
        "delay_s": nominal.delay_s,
    }
    known = {name: e.value for name, e in told.items() if e.value is not None}
    middle = replace(
        seen,
        half_turn_s=0.0,
        supply_v=nominal.supply_v,
        source_ohm=nominal.source_ohm,
        warm_ohm=0.0,
        **known,
    )
    moved = [_moved(middle, name, told[name]) for name in known]
    return Known(middle, tuple(moved))


def _moved(values: Values, name: str, by: Estimate) -> Values:
    change: Mapping[str, float] = {name: getattr(values, name) + (by.u or 0.0)}
    return replace(values, **change)


def nominal_of_type(unit: UnitType) -> Nominal:
    """Return what the plan says of a good unit: neither friction nor load nor answer."""
    constant = unknown("V s", GOOD_ONES)
    if unit.turn_vs is not None:
        constant = Estimate(2.0 * unit.turn_vs, 0.0, "V s")
    return Nominal(
        supply_v=unit.nominal_v,
        circuit_ohm=Estimate(unit.winding_ohm, 0.0, "ohm"),
        emf_vs_per_rev=constant,
        friction_nm=unknown("N m", GOOD_ONES),
        load_nm=unknown("N m", GOOD_ONES),
        delay_s=unknown("s", GOOD_ONES),
        brake_at_park=unit.brake_at_park,
    )


def nominal_of_good(
    half_turns: Sequence[HalfTurn],
    identity: MotorIdentity,
    unit: UnitType,
    accuracy: Accuracy | None = None,
) -> Nominal | None:
    """Return what a good unit's half-turns of one direction say; None if they do not tell.

    Its time is meant at the nominal voltage of ``unit``.
    """
    accuracy = accuracy or Accuracy()
    seen = [k for turn in half_turns if (k := seen_values(turn, identity, accuracy)) is not None]
    if not seen:
        return None

    def middle(of: Callable[[Values], float], si: str) -> Estimate:
        values = np.array([of(known.values) for known in seen])
        spread = float(values.std(ddof=1)) if len(values) > 1 else 0.0
        return Estimate(median(values), math.hypot(spread, seen[0].u(of)), si)

    cold = identity.circuit_20c_ohm
    return Nominal(
        supply_v=unit.nominal_v,
        circuit_ohm=cold if cold.known else identity.circuit_ohm,
        emf_vs_per_rev=identity.emf_vs_per_rev,
        friction_nm=middle(lambda v: v.friction_nm, "N m"),
        load_nm=middle(lambda v: v.load_nm, "N m"),
        delay_s=middle(lambda v: v.delay_s, "s"),
        source_ohm=median(np.array([known.values.source_ohm for known in seen])),
        brake_at_park=unit.brake_at_park,
    )
