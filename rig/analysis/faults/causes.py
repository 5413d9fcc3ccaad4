"""The causes that the isolation knows: what they are, how usual, and which look shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

LEARNT_FROM = "LM-12"
"""The unit type whose simulated units were learnt from."""
SOUND = "sound"
NONE_OF_THESE = "none_of_these"
TWO_AT_ONCE = "two_at_once"
"""The key of the priors that says which share of suspect units have two causes at once."""


@dataclass(frozen=True, slots=True)
class CauseKind:
    """One thing that may be wrong.

    ``says`` in plain words; ``part`` is what gets repaired, the same word for causes that share a
    repair; ``prior`` how often it is met among suspect units, in parts of any whole (guess, to be
    replaced by a shop's own counts); ``of_unit`` whether the unit itself is at fault.  ``shows``:
    how likely each look answers "fault" if this is the cause.
    """

    name: str
    says: str
    part: str
    prior: float
    of_unit: bool = True
    shows: Mapping[str, float] = field(default_factory=dict)


# How likely a look answers "fault" where its cause is plain to see, is often missed, and where
# there is nothing of the kind (guesses, no published source).
PLAIN, OFTEN, SOMETIMES, NEVER = 0.97, 0.80, 0.40, 0.02

# Order and rough weights of the priors are common practice at such benches, no published source.
_ALL = (
    CauseKind("jammed", "something blocks the lever or the gear at one place", "lever or gear", 3.0,
              shows={"look_lever": OFTEN}),
    CauseKind("binding", "the cable is kinked: it binds about half way", "cable", 4.0, False,
              {"look_cable": PLAIN}),
    CauseKind("dry-gear", "the gear has run dry", "gear", 5.0),
    CauseKind("seized-cable", "the cable is stuck", "cable", 4.0, False,
              {"look_cable": PLAIN, "look_lever": SOMETIMES, "look_cable_moves": PLAIN}),
    CauseKind("dragging-cable", "the cable drags all the way", "cable", 4.0, False,
              {"look_cable": PLAIN}),
    CauseKind("broken-cable", "the cable has parted: nothing loads the lever", "cable", 2.0, False,
              {"look_cable": PLAIN}),
    CauseKind("spring-cable", "a spring pulls on the cable", "cable", 1.0, False,
              {"look_cable": SOMETIMES}),
    CauseKind("shorted-turns", "turns of the motor's winding are shorted", "motor", 2.0),
    CauseKind("worn-brushes", "the motor's brushes are worn down", "motor", 5.0),
    CauseKind("intermittent-brush", "a brush or a joint opens now and then", "motor", 4.0),
    CauseKind("open-winding", "the motor is open: no current can flow through it", "motor", 3.0),
    CauseKind("cam-short", "a cam track is worn: it cuts off too early", "cam", 5.0,
              shows={"look_cam": OFTEN}),
    CauseKind("cam-dead-spot", "the cam tracks have a dead spot", "cam", 3.0),
    CauseKind("cam-welded", "the cam's contact does not open: the unit never parks", "cam", 4.0),
    CauseKind("relay-dead", "the relay's armature does not move", "relay", 5.0),
    CauseKind("relay-coil-open", "the relay's coil is open", "relay", 4.0,
              shows={"look_coil": PLAIN}),
    CauseKind("relay-welded", "the relay's contact is welded", "relay", 4.0),
    CauseKind("relay-high-resistance", "the relay's contacts are burnt", "relay", 5.0),
    CauseKind("relay-weak-pull-in", "the relay needs too much voltage to pull in", "relay", 2.0),
    CauseKind("ignition-open", "no ignition voltage reaches the unit's relay", "ignition lead", 5.0,
              False, {"look_ignition_feed": PLAIN, "look_connector": SOMETIMES}),
    CauseKind("battery-open", "no battery voltage reaches the unit", "battery lead", 8.0, False,
              {"look_battery_feed": PLAIN, "look_connector": SOMETIMES,
               "look_fuse_holder": SOMETIMES}),
    CauseKind("fuse-holder-corroded", "the fuse holder is corroded", "fuse holder", 6.0, False,
              {"look_fuse_holder": PLAIN, "look_battery_feed": SOMETIMES}),
    CauseKind("poor-earth", "the unit's earth is poor", "earth", 6.0, False, {"look_earth": PLAIN}),
    CauseKind("leakage", "damp or dirt lets current leak at rest", "connector or housing", 3.0,
              shows={"look_water": OFTEN, "look_connector": OFTEN}),
    CauseKind("wrong-polarity", "battery and earth leads are crossed", "wiring", 1.0, False,
              {"look_battery_feed": PLAIN, "look_leads": PLAIN}),
    CauseKind("weak-supply", "the battery is tired or its leads are thin", "supply", 4.0, False,
              {"look_battery_feed": SOMETIMES}),
    CauseKind("over-rated-fuse", "a fuse of too high a rating is fitted", "fuse", 1.0, False,
              {"look_fuse_holder": PLAIN}),
)  # fmt: skip

CAUSES: dict[str, CauseKind] = {kind.name: kind for kind in _ALL}
"""Every single cause by its name, apart from `SOUND` and `NONE_OF_THESE`."""

PRIORS: dict[str, float] = {
    **{kind.name: kind.prior for kind in _ALL},
    SOUND: 15.0,
    NONE_OF_THESE: 3.0,
    TWO_AT_ONCE: 5.0,
}
"""Shipped priors, in parts of their sum: how often each is met among suspect units (guesses)."""

# Two of one group need one repair and hide each other: no pair is made of them.
_EXCLUDE = (
    {"relay-dead", "relay-coil-open", "relay-welded", "relay-weak-pull-in"},
    {"jammed", "seized-cable"},
    {"broken-cable", "seized-cable"},
    {"broken-cable", "binding"},
    {"broken-cable", "dragging-cable"},
    {"broken-cable", "spring-cable"},
    {"cam-welded", "cam-short"},
    {"cam-welded", "cam-dead-spot"},
    {"open-winding", "battery-open"},
)


def can_pair(a: str, b: str) -> bool:
    """Tell whether two causes at once are a case of their own."""
    return a != b and not any(a in group and b in group for group in _EXCLUDE)


def pairs() -> tuple[tuple[str, str], ...]:
    """Return every pair of causes that is a case of its own, in the order of `CAUSES`."""
    names = list(CAUSES)
    return tuple((a, b) for k, a in enumerate(names) for b in names[k + 1 :] if can_pair(a, b))
