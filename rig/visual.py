"""The catalogue of visual checks that a plan may ask of the operator.

Every question is put so that "yes" is good.  The list is common practice at such benches, no
published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class VisualCheck:
    """One thing to look at.

    ``name`` in plans; ``question`` (yes = good); ``look_for`` what usually goes wrong there;
    ``fault_text`` what a "no" means; ``of_unit`` whether that is the unit's fault, or one of the
    jig or of the parts around it, which is no reason to fail the unit.  What a meter shows may be
    ``low`` besides: ``low_text`` is what that means, ``reads`` which readings mean what.
    """

    name: str
    question: str
    look_for: str
    fault_text: str
    of_unit: bool = True
    low_text: str = ""
    reads: str = ""

    @property
    def answers(self) -> tuple[str, ...]:
        """What may be answered."""
        return ("ok", "fault", *(("low",) if self.low_text else ()), "cannot")

    def means(self, answer: str) -> str:
        """Return what a fault, or a low reading, means."""
        return self.low_text if answer == "low" and self.low_text else self.fault_text


_CHECKS = (
    VisualCheck(
        "housing",
        "Is the housing whole, with every screw in it?",
        "Cracks, missing or stripped screws, a cover that does not sit flat.",
        "The housing is damaged or a screw is missing.",
    ),
    VisualCheck(
        "mounting",
        "Are the mounting lugs straight and whole?",
        "Bent or cracked lugs, holes worn oval.",
        "A mounting lug is bent, cracked or worn.",
    ),
    VisualCheck(
        "water_inside",
        "Is the inside dry, with every seal in place?",
        "Water marks, rust at the shaft, missing or pinched seals.",
        "Water got in or a seal is missing.",
    ),
    VisualCheck(
        "connector_clean",
        "Is the unit's connector clean, with its pins straight and tight?",
        "Green or white corrosion, burnt or bent pins, loose crimps.",
        "The unit's connector is corroded, bent, burnt or loose.",
    ),
    VisualCheck(
        "leads",
        "Are the unit's own leads whole, with no bare or brittle insulation?",
        "Chafed spots, melted insulation, home-made joints.",
        "The unit's leads are damaged.",
    ),
    VisualCheck(
        "relay",
        "Is the unit's own relay seated firmly, and is its base clean?",
        "A loose or burnt base, a relay of another type.",
        "The unit's relay sits loosely or its base is burnt or dirty.",
    ),
    VisualCheck(
        "lever",
        "Is the lever tight on its shaft and straight?",
        "Play on the shaft, worn serrations, a bent lever.",
        "The lever is loose, worn or bent.",
    ),
    VisualCheck(
        "at_stop",
        "Does the lever stand at its stop position?",
        "A unit that parked elsewhere, or was taken off half-way.",
        "The lever did not stand at stop before the test: the unit may have failed to park.",
        of_unit=False,
    ),
    VisualCheck(
        "parts",
        "Is the unit complete, with the parts its drawing or order names?",
        "Missing lever, clip, seal or leads.",
        "Parts of the unit are missing.",
    ),
    VisualCheck(
        "label",
        "Can type and serial number be read, and are they the ones entered?",
        "Missing or swapped labels.",
        "Type or serial number cannot be read or are not the ones entered.",
        of_unit=False,
    ),
    VisualCheck(
        "packing",
        "Did the unit arrive dry and undamaged in its packing?",
        "Dented or wet cartons, marks of a fall.",
        "The packing was wet or damaged: the unit may have suffered on its way.",
        of_unit=False,
    ),
    VisualCheck(
        "clamped",
        "Is the unit clamped to the jig?",
        "A loose clamp, a unit that can rock or slide.",
        "The unit was not clamped, so what was measured may be the jig's.",
        of_unit=False,
    ),
    VisualCheck(
        "lever_free",
        "Is the lever free, with nothing in its way all round?",
        "Leads, tools or the jig within reach of the lever.",
        "Something stood in the lever's way, so what was measured may be that.",
        of_unit=False,
    ),
    VisualCheck(
        "fuse_holder_clean",
        "Is the fuse the unit came with right and its holder sound?",
        "More than 10 A, a bridged fuse, heat marks, corrosion in the holder.",
        "The fuse the unit came with is wrong or its holder is bad: repair that first.",
        of_unit=False,
    ),
    VisualCheck(
        "earth_good",
        "Was the earth connection the unit came from clean and tight?",
        "Paint, rust or a loose eyelet under the earth screw.",
        "The earth connection the unit came from is poor: repair that first.",
        of_unit=False,
    ),
    VisualCheck(
        "wiring",
        "Was the wiring the unit came from whole, with no bare or brittle insulation?",
        "Chafed spots, melted insulation, home-made joints.",
        "The wiring the unit came from is damaged: repair that first.",
        of_unit=False,
    ),
    VisualCheck(
        "leads_right_way",
        "Do battery and earth lead go where they belong, the rig's plus to the unit's battery "
        "terminal and its minus to the unit's earth?",
        "Two leads of one colour, a plug put on the wrong way round, a lead that was mended.",
        "Battery and earth leads are crossed: put them right before anything else is fed.",
        of_unit=False,
    ),
    VisualCheck(
        "cable_kinked",
        "Is the cable free of kinks, rust and frayed ends?",
        "Kinks, tight bends, broken strands, rust at the ends.",
        "The cable is kinked, rusted or frayed: replace it before the unit is blamed.",
        of_unit=False,
    ),
    VisualCheck(
        "sheath_parted",
        "Is the cable's sheath whole and fixed at both ends?",
        "A sheath that parted or pulled out of its end, a cable that hangs loose in it.",
        "The cable's sheath has parted: replace the cable before the unit is blamed.",
        of_unit=False,
    ),
    VisualCheck(
        "cable_run",
        "Does the cable slide easily by hand over its whole travel, unhooked from the unit?",
        "Stiff spots, a cable that does not come back by itself.",
        "The cable is stiff or does not come back: replace it before the unit is blamed.",
        of_unit=False,
    ),
    VisualCheck(
        "cable_moves",
        "Unhooked from the unit, can the cable be moved by hand over its whole travel, be it "
        "stiffly?",
        "A cable that does not move at all, or only for a little way.",
        "The cable is stuck: replace it before the unit is blamed.",
        of_unit=False,
    ),
    VisualCheck(
        "coil_resistance",
        "With the relay pulled out, is there a coil's resistance between its terminals 85 and 86 "
        "(50 to 150 ohm)?",
        "No continuity: the coil is open.",
        "The coil of the unit's relay is open: replace the relay.",
        low_text="Turns of the relay's coil are shorted: replace the relay.",
        reads="ok: 50 to 150 ohm. low: below 50 ohm, turns are shorted. fault: above 150 ohm or no "
        "continuity, the coil is open.",
    ),
    VisualCheck(
        "cam_tracks_end",
        "With the cover off, does each cam track reach to its proper end, not worn back?",
        "A track burnt or worn away at its end. A bare spot in its midst is another matter.",
        "A cam track is worn away at its end: replace the cam.",
    ),
)

# The bounds are common practice at such benches, no published source.
_NOTHING = "fault: below 1 V, or minus where plus should be."

_TERMINAL_CHECKS = (
    VisualCheck(
        "battery_at_terminal",
        "Was the full supply voltage at the unit's battery terminal, the right way round, while "
        "the battery feed was made? Take the meter off, then answer.",
        "No voltage, a reading far below the supply's, or minus where plus should be.",
        "The battery voltage does not reach the unit as it should: look for a blown fuse, a broken "
        "lead, a bad pin or crossed leads between the feed and that terminal.",
        of_unit=False,
        low_text="The battery voltage reaches the unit through much resistance: look for a "
        "corroded fuse holder or pin, a thin or broken lead, or a supply that gives way.",
        reads=f"ok: within 1 V of the supply. low: more than 1 V below it, but there. {_NOTHING}",
    ),
    VisualCheck(
        "ignition_at_terminal",
        "Was the full supply voltage at the relay's terminal 86 while the ignition feed was made? "
        "Take the meter off, then answer.",
        "No voltage, or much less than the supply gives.",
        "No ignition voltage reaches the unit's relay: look for a broken lead or a bad pin between "
        "the connector and the relay's coil.",
        low_text="The ignition voltage reaches the relay through much resistance: look for a bad "
        "pin or a lead that hangs by a strand between the connector and the relay's coil.",
        reads=f"ok: within 1 V of the supply. low: more than 1 V below it, but there. {_NOTHING}",
    ),
)

TERMINAL_CHECKS: Mapping[str, VisualCheck] = MappingProxyType({c.name: c for c in _TERMINAL_CHECKS})
"""What a meter in the unit shows while a feed is made; asked only after that feed."""

VISUAL_CHECKS: Mapping[str, VisualCheck] = MappingProxyType({c.name: c for c in _CHECKS})
"""The visual checks by the name that plans use."""
