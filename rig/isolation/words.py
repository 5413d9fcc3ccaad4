"""An isolation in plain words: its tests, what it found, what to do about it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from rig.analysis.faults.at_hand import OWN_RELAY, missing, not_looked_for
from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, SOUND
from rig.analysis.faults.confirm import confirmed_by, unconfirmed
from rig.analysis.faults.guided import KNOWN_GOOD_RELAY
from rig.analysis.faults.model import Cause, Observation, Ranking

_HEADINGS = {
    "rest": "At rest",
    "turns": "Half-turns, relay as fitted",
    "known_good_relay": "Half-turns, known good relay",
    "direct": "Motor fed directly",
    "unhooked": "Half-turns, cable unhooked",
    "loaded": "Half-turns, loaded",
    "low_supply": "Half-turns, low supply",
    "high_supply": "Half-turns, high supply",
    "jam": "Lever locked",
    "look_battery_feed": "Measure: battery voltage",
    "look_ignition_feed": "Measure: ignition voltage",
    "look_leads": "Look: battery and earth leads",
    "look_fuse_holder": "Look: fuse and holder",
    "look_earth": "Look: earth connection",
    "look_connector": "Look: connector",
    "look_cable": "Look: cable",
    "look_cable_moves": "Try: cable by hand",
    "look_coil": "Measure: relay coil",
    "look_cam": "Look: cam tracks",
    "look_lever": "Look: lever",
    "look_water": "Look: water inside",
}

# What to do once the part is known; the order of work is common practice, no published source.
_REMEDIES = {
    "lever or gear": "Free the lever and look into the gear for what blocks it; replace what is "
    "broken.",
    "cable": "Lay the cable without kinks or replace it.",
    "gear": "Open the gear, clean and grease it; replace it if it is worn.",
    "motor": "Replace the motor, or its brushes if they can be had.",
    "cam": "Replace the cam wheel with its contacts.",
    "relay": "Replace the unit's relay.",
    "ignition lead": "Repair the ignition lead or its pin between the connector and the relay.",
    "battery lead": "Repair the battery lead, its pin or its fuse between the feed and the relay.",
    "fuse holder": "Replace the fuse holder and its terminals; fit a fuse of the right rating.",
    "earth": "Clean the earth point to bare metal, or renew the earth lead.",
    "connector or housing": "Dry and clean connector and housing, renew the seal.",
    "wiring": "Put the battery and earth leads right before anything else is fed.",
    "supply": "Charge or replace the battery; measure the voltage drop over its leads.",
    "fuse": "Fit a fuse of the right rating.",
}
# Where a cause asks for something else than its part does.
_OF_CAUSE = {
    "shorted-turns": "Replace the motor: new brushes do not cure its winding.",
    "intermittent-brush": "Look for a loose joint in the motor's leads first; then replace the "
    "motor, or its brushes if they can be had.",
    "broken-cable": "Replace the cable.",
    "spring-cable": "Find what pulls on the cable, a return spring or its routing, and put that "
    "right.",
    "seized-cable": "Replace the cable.",
}
NOT_SURE = "Not sure."
"""How the text of a conclusion begins that is not sure."""
_AGAIN = "Then isolate again: a second fault may be behind it."
VEHICLE = (
    "battery voltage at the connector with everything on",
    "ignition signal at the connector, made and broken",
    "earth: the voltage drop to the battery's minus while the unit turns",
    "the cable's routing and free travel",
)
"""What to look at on the vehicle when the unit is sound."""

_ON_VEHICLE = "On the vehicle, look at: "
_UNSURE = (
    "This is not enough to repair anything by: do the tests that were left out. If it is that, do "
    "this:"
)
_LOOK = "Look at the traces of the tests, and take the unit apart only after that."
_NONE = f"None of the known causes fits what was seen. {_LOOK}"


def heading(test: str) -> str:
    """Return a guided test's heading, 40 characters at most."""
    return _HEADINGS.get(test, test.replace("_", " ").capitalize())


def parts_of(case: str) -> frozenset[str]:
    """Return what would have to be repaired if ``case`` (a cause's name, or two) were so."""
    return frozenset(CAUSES[name].part if name in CAUSES else name for name in case.split(" + "))


def remedy_of(case: str) -> str:
    """Return what to do about a case."""
    if case == SOUND:
        return f"{_ON_VEHICLE}{'; '.join(VEHICLE)}."
    if case == NONE_OF_THESE:
        return _NONE
    texts = dict.fromkeys(_remedy(name) for name in case.split(" + "))
    return " ".join([*texts, _AGAIN])


def _remedy(name: str) -> str:
    part = CAUSES[name].part
    return _OF_CAUSE.get(name) or _REMEDIES.get(part, f"Repair the {part}.")


@dataclass(frozen=True, slots=True)
class Conclusion:
    """What an isolation came to.

    ``probability`` is that of the cause ``case``, as the ranking has it; ``repair_probability``
    that of all cases which the same repair cures; ``sure`` whether the latter reached the
    confidence that was asked for; ``confirmed`` whether a look or a test that shows the cause by
    itself did show it, or there is none; ``text`` names the cause, ``remedy`` what to do, or what
    would be to do if it is not sure.
    """

    case: str
    probability: float
    repair_probability: float
    sure: bool
    confirmed: bool
    text: str
    remedy: str


def conclusion(ranking: Ranking, confidence: float, seen: Sequence[Observation] = ()) -> Conclusion:
    """Return what ``ranking``, made of ``seen``, amounts to: the likeliest case, and if it is sure.

    A cause that is sure and not confirmed is named with what to confirm it by first.
    """
    top = ranking.top
    parts = parts_of(top.name)
    same = sum(cause.probability for cause in ranking.causes if parts_of(cause.name) == parts)
    sure = same >= confidence
    open_causes = unconfirmed(top.name, seen)
    remedy = remedy_of(top.name) if sure else _remedy_if_so(top.name)
    if sure and open_causes:
        remedy = f"{_confirm_first(open_causes, seen)} {remedy}"
    text = _text(ranking, same, sure, confidence)
    return Conclusion(top.name, top.probability, same, sure, not open_causes, text, remedy)


def _confirm_first(causes: Sequence[str], seen: Sequence[Observation]) -> str:
    done = {one.test for one in seen}
    tests = dict.fromkeys(t for cause in causes for t in confirmed_by(cause) if t not in done)
    if not tests:
        return "A look at it showed nothing: look again, closer, before anything is replaced."
    return f"Confirm it first ({' or '.join(map(heading, tests))})."


def left_out_words(at_hand: Collection[str], priors: Mapping[str, float]) -> tuple[str, ...]:
    """Return what an isolation cannot find, a sentence each: what is missing, what is ruled out.

    ``priors`` are the plan's own.
    """
    words = []
    for thing in missing(at_hand):
        if thing.name == KNOWN_GOOD_RELAY and OWN_RELAY not in at_hand:
            continue  # it is the one in the unit, and was not asked for
        words.append(f"{thing.without[:1].upper()}{thing.without[1:]}: {thing.cost}.")
    gone = {cause for thing in missing(at_hand) for cause in thing.causes}
    ruled_out = [name for name in not_looked_for(priors) if name not in gone]
    if ruled_out:
        words.append(f"The plan rules out: {', '.join(ruled_out)}.")
    return tuple(words)


def _remedy_if_so(case: str) -> str:
    """Return what to do about a case that is likeliest but not sure: nobody is sent to repair."""
    return _LOOK if case == NONE_OF_THESE else f"{_UNSURE} {remedy_of(case)}"


def _text(ranking: Ranking, same: float, sure: bool, confidence: float) -> str:
    top = ranking.top
    what = sentence(top)
    if sure and top.probability >= confidence:
        return f"{what} ({percent(top.probability)})."
    if sure:
        parts = sorted(parts_of(top.name))
        parts_are = f"The {' and the '.join(parts)} {'is' if len(parts) == 1 else 'are'}"
        return (
            f"{parts_are} at fault ({percent(same)}), most likely: {top.says} "
            f"({percent(top.probability)})."
        )
    others = ", ".join(f"{_says(c)} ({percent(c.probability)})" for c in ranking.causes[1:3])
    then = f"; then {others}" if others else ""
    return f"{NOT_SURE} {what} ({percent(top.probability)}){then}."


def sentence(cause: Cause) -> str:
    """Return what a case is, as a sentence without its full stop."""
    says = _says(cause)
    return says[:1].upper() + says[1:]


def _says(cause: Cause) -> str:
    return "the unit is sound; look at the vehicle" if cause.name == SOUND else cause.says


def percent(probability: float) -> str:
    """Return a probability in per cent, never 0 or 100 if it is not."""
    if 0.995 <= probability < 1.0:
        return "over 99 %"
    if 0.0 < probability <= 0.005:  # which rounds to 0, half to even
        return "under 1 %"
    return f"{100 * probability:.0f} %"
