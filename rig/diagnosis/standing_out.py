"""What stands out of a diagnosis, in short sentences, worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from rig.analysis.binding import Bind, Site
from rig.analysis.drop import Suspect
from rig.analysis.estimate import Estimate
from rig.analysis.model import Direction, HalfTurn, Limits, Outcome
from rig.analysis.slow import FACTOR_WORDS, Factor, WhySlow
from rig.analysis.wording import direction_words, outcome_words, with_u
from rig.diagnosis.model import Diagnosis, Finding, RelayValue, SlowTurn, Stroke, Topic, TurnTime
from rig.diagnosis.stroke_words import lever_words

# Units of a type differ: a time this much (part) beyond that of good ones stands out, a motor
# constant this much (part) from the type's, a load by this much (part) from the reference's
# (guesses; the simulated type spreads by 1 to 2 %).
SLOW_PART, CONSTANT_PART, LOAD_PART = 0.10, 0.10, 0.25
# A cause is named from this part of the whole on (guess).
NAMED_PART = 0.10
# A place that departs from the reference by less than this is not worth a sentence (A, guess).
PLACE_LEAST_A = 0.3


def standing_out(found: Diagnosis, limits: Limits) -> tuple[Finding, ...]:
    """Return what stands out; nothing if nothing does."""
    slow = _slow(found)
    return (
        *_outcomes(found.half_turns),
        *slow,
        *(_bind(bind) for bind in found.binds),
        *(_suspect(suspect, found) for suspect in found.drop.suspects),
        *([] if slow else _heavy(found, limits)),
        *_motor(found),
        *_relay(found.relay),
        *_places(found),
    )


# --- outcomes --------------------------------------------------------------------------------


def _outcomes(turns: Sequence[HalfTurn]) -> Iterator[Finding]:
    bad = [turn for turn in turns if turn.outcome not in (Outcome.PARKED, Outcome.SLOW)]
    if not bad:
        return
    words = ", ".join(dict.fromkeys(outcome_words(turn.outcome) for turn in bad))
    which = f"{len(bad)} of {len(turns)} half-turns"
    yield Finding(
        Topic.TIME,
        f"{which} did not park ({words}): see the verdict's reasons. What follows rests on the "
        "others.",
    )


# --- slow ------------------------------------------------------------------------------------


def _slow(found: Diagnosis) -> list[Finding]:
    """Return a sentence if the unit itself is slow, by its time at the nominal voltage."""
    slow = [one for one in found.slow if _own_excess_s(one.why) > 0.0]
    if slow:
        worst = max(slow, key=lambda one: _own_excess_s(one.why))
        return [Finding(Topic.SLOW, _slower(worst))]
    late = [one for one in found.times if _late_s(one) > 0.0]
    if late:
        worst_time = max(late, key=_late_s)
        return [Finding(Topic.SLOW, _beyond_limit(worst_time, found))]
    return []


def _own_excess_s(why: WhySlow) -> float:
    """Return by how much a unit is slow of itself (s), 0 unless beyond doubt and spread."""
    good_s, supply_s = why.nominal_s.value, why.shares[Factor.SUPPLY].value
    if why.excess_s is None or good_s is None or supply_s is None:
        return 0.0
    if not why.shares[Factor.FRICTION].known and not why.shares[Factor.LOAD].known:
        return 0.0  # a good unit's friction and load are not known: it was taken to have these
    own_s = why.excess_s - supply_s
    doubt_s = 2.0 * math.hypot(why.half_turn_s.u or 0.0, why.nominal_s.u or 0.0)
    return own_s if own_s > max(doubt_s, SLOW_PART * good_s) else 0.0


def _slower(one: SlowTurn) -> str:
    excess_s = one.why.excess_s or 0.0
    return (
        f"Slow by {excess_s:.2f} s {direction_words(one.direction)}, against a good unit: "
        f"{_shares(one.why.shares, one.why.unexplained, excess_s)}."
    )


def _shares(shares: Mapping[Factor, Estimate], rest: Estimate, excess_s: float) -> str:
    told = [(FACTOR_WORDS[factor], share) for factor, share in shares.items()]
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
        f"is friction, which alone takes {_amps(friction)}, or an even drag of the cable."
    )


# --- bind and load ---------------------------------------------------------------------------


_SITE = {
    Site.UNIT: "in the unit",
    Site.CABLE: "in the cable",
    Site.UNTOLD: "cable or unit not told apart",
}


def _bind(bind: Bind) -> Finding:
    """Return one bind: where, how hard, which way."""
    ways = bind.directions
    way = "both ways" if len(ways) > 1 else f"on the way {direction_words(ways[0])}"
    heights = {d: bind.to_run_a if d is Direction.TO_RUN else bind.to_stop_a for d in ways}
    worst = max(ways, key=lambda d: heights[d].value or 0.0)
    torque = bind.torque_nm(worst)
    more = f"{heights[worst].value:.1f} A"
    if torque.value is not None:
        more += f" ({torque.value:.1f} N m at the output)"
    return Finding(
        Topic.STROKE,
        f"Binds at {bind.lever_deg:.0f} degrees of the lever (0 stop, 180 run), {way}: {more} "
        f"more; {_SITE[bind.site]}.",
    )


def _heavy(found: Diagnosis, limits: Limits) -> Iterator[Finding]:
    """Return a sentence if friction is too much although the time is not."""
    friction = found.identity.friction_a
    if friction.value is None or friction.u is None:
        return
    if limits.run_max_a is not None and friction.value - 2.0 * friction.u > limits.run_max_a:
        yield Finding(
            Topic.MOTOR,
            f"Runs heavily: friction alone takes {_amps(friction)}; the limit for the running "
            f"current is {limits.run_max_a:g} A.",
        )
        return
    heavier = [s for s in found.strokes if _is_heavier(s)]
    if heavier:
        most = max(heavier, key=lambda s: s.compared.general_a.value or 0.0 if s.compared else 0.0)
        assert most.compared is not None
        general = most.compared.general_a
        whom = "its earlier runs" if found.references.strokes_are_own else "good units"
        yield Finding(
            Topic.COMPARED,
            f"Runs heavier than {whom} {direction_words(most.profile.direction)}, by "
            f"{general.value:.1f} A all the way: friction or drag.",
        )


def _is_heavier(stroke: Stroke) -> bool:
    compared = stroke.compared
    if compared is None or not compared.is_general or compared.general_a.value is None:
        return False
    load = [float(a) for a in stroke.profile.load_a if math.isfinite(a)]
    whole_a = sorted(load)[len(load) // 2] if load else 0.0
    return compared.general_a.value > LOAD_PART * max(whole_a - compared.general_a.value, 0.0)


def _places(found: Diagnosis) -> Iterator[Finding]:
    """Return where the stroke departs from its reference, but for binds that are told."""
    whom = "its earlier runs" if found.references.strokes_are_own else "good units"
    for stroke in found.strokes:
        for place in stroke.compared.departures if stroke.compared else ():
            if abs(place.load_a) < PLACE_LEAST_A or found.binds:
                continue
            word = "harder" if place.load_a > 0.0 else "easier"
            yield Finding(
                Topic.COMPARED,
                f"Goes {word} than {whom} {direction_words(stroke.profile.direction)}, from "
                f"{lever_words(place)}, by {abs(place.load_a):.1f} A.",
            )


# --- feed, motor, relay ----------------------------------------------------------------------


_WHERE = {
    "source": "Weak feed, on the source's side (source, fuse holder or master relay)",
    "feed": "Weak feed (feed relay, joints or lead; without a coil sensor also source and fuse)",
    "fuse holder": "Weak feed (fuse holder, feed relay or lead)",
    "earth": "Poor earth of the unit",
    "unit": "Resistance too high in the unit (winding, brushes, contacts or loom)",
    "unit or earth": "Resistance too high behind the sensor (unit or its earth)",
}
_OF_THE_UNIT = ("unit", "unit or earth")


def _suspect(suspect: Suspect, found: Diagnosis) -> Finding:
    """Return where resistance is too high, what it costs, and whether the unit is slow for it."""
    where = _WHERE.get(suspect.where, f"Resistance too high: {suspect.where}")
    text = f"{where}: {with_u(suspect.ohm.value or 0.0, 2.0 * (suspect.ohm.u or 0.0), 'ohm')} more "
    text += "than usual"
    if suspect.where in _OF_THE_UNIT:
        return Finding(Topic.FEED, text + ".")
    costs = [one.why.shares[Factor.SUPPLY].value for one in found.slow]
    cost_s = max((s for s in costs if s is not None), default=0.0)
    if cost_s > 0.005:
        text += f", which costs a half-turn up to {cost_s:.2f} s"
    text += "."
    times = [t.nominal_s.value for t in found.times if t.nominal_s.value is not None]
    if times and not _slow(found):
        text += (
            f" The unit itself is not slow: at {found.unit.nominal_v:g} V it would take "
            f"{max(times):.2f} s."
        )
    return Finding(Topic.FEED, text)


def _motor(found: Diagnosis) -> Iterator[Finding]:
    constant, turn_vs = found.identity.emf_vs_per_rev, found.unit.turn_vs
    if constant.value is not None and turn_vs is not None:
        off = constant.value / (2.0 * turn_vs) - 1.0
        if abs(off) > max(CONSTANT_PART, (constant.u or 0.0) / turn_vs):
            cause = (
                "shorted turns or weak magnets"
                if off < 0.0
                else "not the motor or the gear that the plan describes"
            )
            yield Finding(
                Topic.MOTOR,
                f"Back-EMF is {abs(100 * off):.0f} % {'below' if off < 0 else 'above'} the type's: "
                f"{cause}.",
            )
    ohm = found.identity.circuit_ohm
    low = 0.9 * found.unit.winding_ohm
    if ohm.value is not None and ohm.value + 2.0 * (ohm.u or 0.0) < low:
        yield Finding(
            Topic.MOTOR,
            f"Resistance is below the type's: {with_u(ohm.value, 2.0 * (ohm.u or 0.0), 'ohm')} "
            f"against {found.unit.winding_ohm:g} ohm: shorted turns, or another motor.",
        )


def _relay(values: Sequence[RelayValue]) -> Iterator[Finding]:
    for one in values:
        value, u = one.measure.value, one.measure.u or 0.0
        if value is None:
            continue
        if one.most is not None and value - u > one.most:
            off = f"the most allowed is {one.most:g}"
        elif one.least is not None and value + u < one.least:
            off = f"the least allowed is {one.least:g}"
        else:
            continue
        told = with_u(value, one.measure.u, one.measure.unit)
        yield Finding(Topic.RELAY, f"Relay: {one.title} {told}; {off}.")


def _amps(estimate: Estimate) -> str:
    return with_u(estimate.value or 0.0, 2.0 * (estimate.u or 0.0), "A")
