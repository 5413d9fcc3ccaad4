"""What somebody does at the jig for a guided test, and to undo it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.bench.steps.moves import Move, ask_done, ask_undone

# A motor of this size is at speed within 0.1 s, so half a second shows its running current; the
# lever makes about half a turn in it, and somebody has to see it stop.
DIRECT_S = 0.5
LOAD_NM = 2.0
SUPPLY_S = 2.0  # how long a feed is made for a meter to settle and be read


@dataclass(frozen=True, slots=True)
class Errand:
    """What somebody does at the jig: before a test, or to undo it; ``left`` if it is not undone."""

    action: str
    text: str
    left: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)

    def do(self) -> Move:
        """Have it done; raises SkippedStep if that cannot be."""
        return ask_done(self.action, self.text, **self.detail)

    def undo(self) -> Move:
        """Have it done; False if it could not be."""
        return ask_undone(self.action, self.text)


UNHOOK = Errand(
    "unhook_cable",
    "Unhook the cable from the lever, and see that the lever is free to turn all the way round: "
    "no cable, lead, tool or hand within its reach.",
)
CLEAR = Errand(
    "unhook_cable",
    "See that the lever is free to turn all the way round, with no cable on it: no lead, tool or "
    "hand within its reach.",
)
HOOK_UP = Errand(
    "hook_up_cable",
    "Hook the cable up to the lever again, the lever at stop. If it stands anywhere else, bring it "
    "to stop by hand first: the feeds are off.",
    "The cable is not hooked up to the lever.",
)
CLIP_ON = Errand(
    "feed_motor_directly",
    "Unplug the unit, take the motor's own two leads off and clip the rig's battery feed to the "
    "motor's plus and the rig's earth to its minus. The feeds are off now; the clips must touch "
    "neither each other nor the housing. Then take your hands away. CAUTION: as soon as you "
    f"answer it is fed for {DIRECT_S:g} s: the lever goes round with force, does not park, and "
    "stops where it is.",
)
PUT_BACK = Errand(
    "restore_wiring",
    "Take the rig's leads off the motor and put the unit's own wiring back as it was. Then keep "
    "clear: the unit is fed to bring its lever to stop.",
    "The motor is still on the rig's own leads.",
)
NOT_HOME_BARE = (
    "The unit did not come back to stop after its wiring was put back; the motor may still be on "
    "the rig's leads. By hand, with the feeds off: see that the rig's leads are off the motor and "
    "the unit's own wiring is back, and bring the lever to stop."
)
NOT_HOME = (
    "The unit did not come back to stop after its wiring was put back; the motor may still be on "
    "the rig's leads, and the cable is not hooked up to the lever. By hand, with the feeds off: "
    "see that the rig's leads are off the motor and the unit's own wiring is back, bring the lever "
    "to stop, then hook the cable on."
)
HANG = Errand(
    "hang_load",
    f"Hang the load of {LOAD_NM:g} N m on the lever and keep hands clear of it.",
    detail={"newton_metre": LOAD_NM},
)
TAKE_OFF = Errand("remove_load", "Take the load off the lever.", "The load is still on the lever.")
FIT_GOOD = Errand(
    "fit_known_good_relay",
    "Take out the unit's own relay and fit the rig's known good one.",
)
FIT_OWN = Errand(
    "fit_own_relay",
    "Put the unit's own relay back.",
    "The rig's known good relay is still in the unit.",
)
CLOSE = Errand(
    "put_together",
    "Put back what you opened, pulled out or unhooked to look: cover, relay, connector, cable. "
    "Then keep clear: the unit may be fed next.",
    "Something that was opened for a look is not back in its place.",
)
LOCK = Errand(
    "lock_lever",
    "Lock the lever at stop with the jig's pin. Keep hands clear: the lever will push with full "
    "force, and the winding gets hot.",
)
LOCK_HERE = Errand(
    "lock_lever",
    "Lock the lever where it stands: the unit was not seen to come to stop. Keep hands clear: the "
    "lever will push with full force, and the winding gets hot.",
)
FREE = Errand("free_lever", "Free the lever: pull the jig's pin.", "The lever is still locked.")
_METER_LEFT = "The test lamp or meter may still be clipped to the unit."
METER_ON_BATTERY = Errand(
    "connect_meter",
    "Clip a test lamp, or a meter set to DC volts (an ampere range is a short), to the unit's "
    "battery terminal and to the unit's own earth. The feeds are off now; take your hands away "
    f"before you answer. The battery feed is made for {SUPPLY_S:g} s: the lever may move.",
    _METER_LEFT,
)
METER_ON_IGNITION = Errand(
    "connect_meter",
    "Clip a test lamp, or a meter set to DC volts (an ampere range is a short), to the lead of the "
    "coil's terminal 86 at the unit's relay base and to the unit's own earth. The feeds are off "
    "now; take your hands away before you answer. The ignition feed alone is made for "
    f"{SUPPLY_S:g} s.",
    _METER_LEFT,
)
