"""What stands out of a diagnosis, in short sentences, worst first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from rig.analysis.binding import Bind, Site
from rig.analysis.drop import CONTACT_MOST_OHM, Suspect
from rig.analysis.levels import median
from rig.analysis.model import Direction, HalfTurn, Limits, Outcome
from rig.analysis.slow import Factor
from rig.analysis.wording import direction_words, outcome_words, with_u
from rig.diagnosis.fuse_words import over_rated_words
from rig.diagnosis.layout import amps
from rig.diagnosis.model import Diagnosis, Finding, RelayValue, Stroke, Topic
from rig.diagnosis.motor_words import is_shorted, motor_findings
from rig.diagnosis.slow_words import EARTH, slow_findings
from rig.diagnosis.stroke_words import lever_words

# A load this much (part) beyond the reference's stands out (guess).
LOAD_PART = 0.25
# A place that departs from the reference by less than this is not worth a sentence (A, guess).
PLACE_LEAST_A = 0.3
# More places than this are the course of another load, not places (guess).
PLACES_MOST = 1
EXTRA_CONTACT = "relay_extra_contact_ohm"


def standing_out(found: Diagnosis, limits: Limits) -> tuple[Finding, ...]:
    """Return what stands out; nothing if nothing does."""
    slow = slow_findings(found)
    return (
        *_fitted(found),
        *_outcomes(found.half_turns),
        *slow,
        *(_bind(bind) for bind in found.binds),
        *_contact(found.relay),
        *(_suspect(suspect, found) for suspect in found.drop.suspects),
        *([] if slow or is_shorted(found) else _heavy(found, limits)),
        *motor_findings(found),
        *_electric(found.half_turns, limits),
        *_relay(found.relay),
        *_lighter(found),
        *_places(found),
    )


def _fitted(found: Diagnosis) -> Iterator[Finding]:
    """Return a fuse of the rig that is too big, before all else: it can set things on fire."""
    if found.fitted is not None and found.fitted.over_rated:
        yield Finding(Topic.FUSE, over_rated_words(found.fitted, found.unit.name))


# --- outcomes --------------------------------------------------------------------------------


def _outcomes(turns: Sequence[HalfTurn]) -> Iterator[Finding]:
    bad = [turn for turn in turns if turn.outcome not in (Outcome.PARKED, Outcome.SLOW)]
    if not bad:
        return
    words = ", ".join(dict.fromkeys(outcome_words(turn.outcome) for turn in bad))
    which = f"{len(bad)} of {len(turns)} half-turns"
    text = f"{which} did not park ({words}): see the verdict's reasons."
    if len(bad) < len(turns):
        text += " What follows rests on the others."
    yield Finding(Topic.TIME, text)


def _electric(turns: Sequence[HalfTurn], limits: Limits) -> Iterator[Finding]:
    """Return drop-outs of the current, and a draw at rest beyond the plan's limit."""
    gaps = sum(turn.dropouts for turn in turns)
    if gaps > (limits.dropouts_max or 0):
        longest_s = max(turn.longest_dropout_s for turn in turns)
        yield Finding(
            Topic.MOTOR,
            f"The current drops out {gaps} times in {len(turns)} half-turns, for up to "
            f"{1000.0 * longest_s:.0f} ms: a worn brush, or a joint that opens.",
        )
    rest = [turn for turn in turns if turn.rest_a is not None and turn.rest_u_a is not None]
    if limits.rest_max_a is None or not rest:
        return
    least = min(rest, key=lambda turn: turn.rest_a or 0.0)
    rest_a, u_a = least.rest_a or 0.0, least.rest_u_a or 0.0
    if rest_a - u_a > limits.rest_max_a:
        yield Finding(
            Topic.MOTOR,
            f"Draws {with_u(rest_a, u_a, 'A')} at rest, {limits.rest_max_a:g} A is allowed: damp, "
            "or a cam contact that does not open.",
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
    heavier = [s for s in found.strokes if _general_part(s) > LOAD_PART]
    if heavier:
        most = max(heavier, key=_general_part)
        yield Finding(
            Topic.COMPARED,
            f"Runs heavier than {_whom(found)} {direction_words(most.profile.direction)}, by "
            f"{_general_a(most):.1f} A all the way: friction, drag or a spring.",
        )


def _lighter(found: Diagnosis) -> Iterator[Finding]:
    lighter = [s for s in found.strokes if _general_part(s) < -LOAD_PART]
    if lighter:
        most = min(lighter, key=_general_part)
        heavier = any(_general_part(s) > LOAD_PART for s in found.strokes)
        cause = "a spring helps that way" if heavier else "no cable hooked on, or it has parted"
        yield Finding(
            Topic.COMPARED,
            f"Runs lighter than {_whom(found)} {direction_words(most.profile.direction)}, by "
            f"{-_general_a(most):.1f} A all the way: {cause}.",
        )


def _whom(found: Diagnosis) -> str:
    return "its earlier runs" if found.references.strokes_are_own else "good units"


def _general_a(stroke: Stroke) -> float:
    """Return by how much a stroke differs at all angles alike (A); 0 unless beyond doubt."""
    compared = stroke.compared
    if compared is None or not compared.is_general:
        return 0.0
    return compared.general_a.value or 0.0


def _general_part(stroke: Stroke) -> float:
    """Return the same as a part of the reference's load."""
    off_a, load_a = _general_a(stroke), stroke.profile.load_a
    seen = load_a[np.isfinite(load_a)]
    if off_a == 0.0 or not len(seen):
        return 0.0
    return off_a / max(median(seen) - off_a, 0.1)


def _places(found: Diagnosis) -> Iterator[Finding]:
    """Return where the stroke departs from its reference, but for binds that are told."""
    whom = _whom(found)
    for stroke in found.strokes:
        if stroke.compared is None or found.binds:
            continue
        places = [p for p in stroke.compared.departures if abs(p.load_a) >= PLACE_LEAST_A]
        if len(places) > PLACES_MOST:
            loads = [place.load_a for place in places]
            yield Finding(
                Topic.COMPARED,
                f"Is loaded otherwise than {whom} {direction_words(stroke.profile.direction)}: "
                f"from {min(loads):+.1f} to {max(loads):+.1f} A along the way, as by a spring.",
            )
            continue
        for place in places:
            word = "harder" if place.load_a > 0.0 else "easier"
            yield Finding(
                Topic.COMPARED,
                f"Goes {word} than {whom} {direction_words(stroke.profile.direction)}, from "
                f"{lever_words(place)}, by {abs(place.load_a):.1f} A.",
            )


# --- feed, motor, relay ----------------------------------------------------------------------


_WHERE = {
    "source": "Weak feed, on the source's side (source, main fuse or master relay)",
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
    earth = suspect.where == EARTH
    factor = Factor.RESISTANCE if earth else Factor.SUPPLY
    costs = [one.why.shares[factor].value for one in found.slow]
    cost_s = max((s for s in costs if s is not None), default=0.0)
    if cost_s > 0.005:
        text += f", which costs a half-turn up to {cost_s:.2f} s"
    text += "."
    times = [t.nominal_s.value for t in found.times if t.nominal_s.value is not None]
    if times and not earth and not slow_findings(found):
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
