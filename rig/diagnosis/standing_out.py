"""What stands out of a diagnosis, in short sentences, worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from rig.analysis.binding import Bind, Site
from rig.analysis.drop import CONTACT_MOST_OHM, Suspect
from rig.analysis.model import Direction, HalfTurn, Limits, Outcome
from rig.analysis.slow import Factor
from rig.analysis.wording import direction_words, outcome_words, with_u
from rig.diagnosis.layout import amps
from rig.diagnosis.model import Diagnosis, Finding, RelayValue, Stroke, Topic
from rig.diagnosis.motor_words import is_shorted, motor_findings
from rig.diagnosis.slow_words import slow_findings
from rig.diagnosis.stroke_words import lever_words

# A load this much (part) beyond the reference's stands out (guess).
LOAD_PART = 0.25
# A place that departs from the reference by less than this is not worth a sentence (A, guess).
PLACE_LEAST_A = 0.3
EXTRA_CONTACT = "relay_extra_contact_ohm"


def standing_out(found: Diagnosis, limits: Limits) -> tuple[Finding, ...]:
    """Return what stands out; nothing if nothing does."""
    slow = slow_findings(found)
    return (
        *_outcomes(found.half_turns),
        *slow,
        *(_bind(bind) for bind in found.binds),
        *_contact(found.relay),
        *(_suspect(suspect, found) for suspect in found.drop.suspects),
        *([] if slow or is_shorted(found) else _heavy(found, limits)),
        *motor_findings(found),
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
            f"Runs heavily: friction alone takes {amps(friction)}; the limit for the running "
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
    if times and not slow_findings(found):
        text += (
            f" The unit itself is not slow: at {found.unit.nominal_v:g} V it would take "
            f"{max(times):.2f} s."
        )
    return Finding(Topic.FEED, text)


def _contact(values: Sequence[RelayValue]) -> Iterator[Finding]:
    """Return the own relay's contact if it adds more than a sound one may have."""
    for one in values:
        extra, u = one.measure.value, one.measure.u
        if one.measure.name != EXTRA_CONTACT or extra is None or u is None:
            continue
        if extra - u > CONTACT_MOST_OHM:
            yield Finding(
                Topic.RELAY,
                f"The unit's own relay: its contact adds {with_u(extra, u, 'ohm')} over the known "
                f"good one's; a sound one has {CONTACT_MOST_OHM:g} ohm at most.",
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
