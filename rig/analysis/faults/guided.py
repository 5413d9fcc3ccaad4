"""The guided tests: what can be done or looked at to tell one cause from another.

Every test with half-turns makes the same series: home (0.4 s with the battery feed alone, and
until the unit rests), then two half-turns each way.  A trip of the guard ends it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["rest", "turns", "direct", "jam", "look"]

# What a rig or its operator needs for a test beyond the unit on its feeds.
PROGRAMMABLE_SUPPLY = "programmable_supply"
KNOWN_GOOD_RELAY = "known_good_relay"
DIRECT_LEADS = "direct_leads"
LOAD = "load"
JAM_PIN = "jam_pin"
METER = "meter"
CABLE = "cable"


@dataclass(frozen=True, slots=True)
class Test:
    """One guided test.

    ``does`` tells in plain words what happens; ``minutes`` is its usual cost with the operator's
    work (guess); ``needs`` what must be at hand; ``supply_v`` the voltage it sets (None: as is).
    A look is answered by somebody: ``checks`` names the visual checks (`rig.visual`) that it is
    made of, empty if it is a question of its own, ``question``, to which "yes" (ok) is good.
    """

    name: str
    does: str
    minutes: float
    kind: Kind
    needs: tuple[str, ...] = ()
    supply_v: float | None = None
    checks: tuple[str, ...] = ()
    question: str = ""

    @property
    def is_look(self) -> bool:
        """Whether somebody answers instead of the sensors."""
        return self.kind == "look"

    @property
    def feeds(self) -> bool:
        """Whether a feed is made for it; a look for which one is has a question of its own."""
        return not self.is_look or not self.checks


# The minutes are guesses of a practised hand's time at a bench, no published source.
_ALL = (
    Test("rest", "Battery feed made for two seconds, nothing else: what flows, and does it move?",
         0.3, "rest"),
    Test("turns", "Two half-turns each way with the relay that is in the unit.", 0.6, "turns"),
    Test("known_good_relay", "The same half-turns with the rig's known good relay in the unit.",
         3.0, "turns", (KNOWN_GOOD_RELAY,)),
    Test("direct", "The motor's two terminals on the rig's own leads, past relay, cams and the "
         "unit's leads, cable unhooked, for half a second.", 4.0, "direct", (DIRECT_LEADS,)),
    Test("unhooked", "The same half-turns with the cable unhooked from the lever.", 2.0, "turns",
         (CABLE,)),
    Test("loaded", "The same half-turns with a load of 2 N m on the lever.", 3.0, "turns",
         (LOAD,)),
    Test("low_supply", "The same half-turns at 9 V.", 0.6, "turns", (PROGRAMMABLE_SUPPLY,), 9.0),
    Test("high_supply", "The same half-turns at 15 V.", 0.6, "turns", (PROGRAMMABLE_SUPPLY,), 15.0),
    Test("jam", "Lever locked at stop, ignition made for 0.15 s: what it draws standing still.",
         2.5, "jam", (JAM_PIN,)),
    Test("look_battery_feed", "Measure at the unit's battery terminal, feed made.", 0.8, "look",
         (METER,), question="With the feed made, is the full supply voltage at the unit's battery "
         "terminal, the right way round?"),
    Test("look_ignition_feed", "Measure at the unit's ignition terminal, ignition made.", 1.0,
         "look", (METER,), question="With the ignition made, is the full supply voltage at the "
         "unit's relay, terminal 86?"),
    Test("look_leads", "Follow the battery and the earth lead from the rig to the unit.", 0.5,
         "look", checks=("leads_right_way",)),
    Test("look_fuse_holder", "Look at the fuse and its holder.", 1.0, "look",
         checks=("fuse_holder_clean",)),
    Test("look_earth", "Look at the earth connection.", 1.5, "look", checks=("earth_good",)),
    Test("look_connector", "Look into the unit's connector.", 1.0, "look",
         checks=("connector_clean",)),
    Test("look_cable", "Look at the cable and slide it by hand.", 2.0, "look",
         checks=("cable_kinked", "sheath_parted", "cable_run")),
    Test("look_cable_moves", "Try to move the unhooked cable by hand.", 1.5, "look", (CABLE,),
         checks=("cable_moves",)),
    Test("look_coil", "Measure the resistance of the relay's coil, relay pulled out.", 3.0, "look",
         (METER,), checks=("coil_resistance",)),
    Test("look_cam", "Take the cover off and look at the cam's tracks.", 6.0, "look",
         checks=("cam_tracks_end",)),
    Test("look_lever", "Look for what may block the lever.", 0.5, "look", checks=("lever_free",)),
    Test("look_water", "Open the housing and look for water.", 5.0, "look",
         checks=("water_inside",)),
)  # fmt: skip

TESTS: dict[str, Test] = {test.name: test for test in _ALL}
"""Every guided test by its name."""

MINUTES: dict[str, float] = {test.name: test.minutes for test in _ALL}
"""What each test usually costs, minutes."""
