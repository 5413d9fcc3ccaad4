"""Where the voltage is lost between source and motor, as far as the rig's wiring can tell.

As the rig is wired, the sensor in the battery feed reads the voltage on the unit's side of its
shunt, against the star earth point.  What lies before it (source, fuse and holder, feed contacts,
leads, shunt) shows as sag: its voltage falls with the current.  What lies behind it (the unit's
own loom, contacts and winding, and the earth lead back) does not: it looks like a winding of more
resistance.  The relay coil shares the source and the unit's earth with the motor, and nothing
else, so that a sensor in the ignition feed tells a poor earth from a bad fuse holder.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from rig.analysis.copper import lead_ohm
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import UnitType
from rig.analysis.motor import MotorIdentity

CAUTION = (
    "CAUTION: measure with the meter's leads clipped on before the feed is made, hands clear of "
    "the lever, no rings or watch. A battery delivers hundreds of amperes into a short, and a bad "
    "joint gets hot enough to burn. Local codes come first; leave what you are not sure of to "
    "licensed practice."
)

CONTACT_MOST_OHM = 0.020
"""Highest resistance of a sound relay contact, ohm: 200 mV at 10 A (TE V23234 data sheet)."""
CONTACT_USUAL_OHM = 0.0015
"""Usual resistance of such a contact, ohm: 15 mV at 10 A (the same sheet)."""
FUSE_OHM_A = 0.0676
"""Cold resistance of a blade fuse times its rating, ohm A: 3.38 mohm at 20 A (Littelfuse 257
sheet); that others are in inverse proportion is a guess."""
BATTERY_OHM = (0.005, 0.03)
"""Least and highest resistance of a charged 12 V lead battery, ohm (guess)."""
SUPPLY_OHM = (0.0, 0.01)
"""Least and highest resistance of a regulated bench supply, ohm (guess)."""
COIL_TELLS_OHM = 0.05
"""What coil and motor share must be known to within this, ohm, to tell places apart (guess: half of
a bad joint)."""
MEANT_V = 0.1
"""A good joint loses less than this at the running current, V (common practice, no published
source)."""


@dataclass(frozen=True, slots=True)
class FeedCircuit:
    """What is known of the wiring.  Lengths (m) one way, area in mm2, None if not measured.

    ``feed_m`` from the source to the shunt, ``return_m`` from the unit's earth to the star earth
    point.  ``regulated`` tells of a bench supply in place of a battery.  The ignition feed
    branches off between the master relay and the battery feed's own fuse (README, wiring).
    """

    shunt_ohm: float
    fuse_a: float
    feed_m: float | None = None
    return_m: float | None = None
    area_mm2: float | None = None
    temp_c: float = 20.0
    regulated: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of the circuit with its resistance, and what of it is usual, least and most (ohm)."""

    name: str
    ohm: Estimate
    usual_ohm: tuple[float, float]

    @property
    def excess_ohm(self) -> float | None:
        """What is more than usual (ohm), None if the part was not measured."""
        return None if self.ohm.value is None else self.ohm.value - self.usual_ohm[1]


@dataclass(frozen=True, slots=True)
class Suspect:
    """Where resistance is too high: ``ohm`` more than usual, and what to do, in plain words."""

    where: str
    ohm: Estimate
    text: str


@dataclass(frozen=True, slots=True)
class DropReport:
    """The parts that the wiring lets be told apart, what is suspect, and what it cannot tell."""

    parts: tuple[Part, ...]
    suspects: tuple[Suspect, ...]
    not_told: tuple[str, ...]


def separate(
    sag: Estimate,
    coil_sag: Estimate,
    wiring: FeedCircuit,
    run_a: float,
    circuit: Part | None = None,
) -> DropReport:
    """Return where the resistance sits.

    ``sag`` is the feed's before the sensor and ``coil_sag`` what coil and motor have in common
    (`rig.analysis.sag_slope`), ``run_a`` the running current (A) that the voltages are told at.
    ``circuit`` is what lies behind the sensor (`unit_part`).
    """
    if coil_sag.u is not None and 2.0 * coil_sag.u > COIL_TELLS_OHM:
        coil_sag = unknown("ohm", "the relay coil's current is too noisy to tell")
    feed, shared, lead = _feed(wiring), _shared(wiring), _lead(wiring)
    parts = [Part("feed before the sensor", sag, feed), Part("source and earth", coil_sag, shared)]
    parts.append(Part("shunt", Estimate(wiring.shunt_ohm, 0.0, "ohm"), (wiring.shunt_ohm,) * 2))
    if lead is not None:
        half = 0.5 * (lead[1] - lead[0])
        # Rectangular between the least and the highest that the cable may have.
        given = Estimate(0.5 * sum(lead), half / math.sqrt(3.0), "ohm")
        parts.append(Part("feed lead", given, lead))
    parts.append(Part("joints, contacts and source", _rest(sag, wiring, lead), _joints(wiring)))
    if circuit is not None:
        parts.append(circuit)
    suspects = tuple(_suspects(parts[0], parts[1], wiring, run_a, circuit))
    return DropReport(tuple(parts), suspects, tuple(_not_told(sag, coil_sag, wiring, lead)))


def unit_part(identity: MotorIdentity, unit: UnitType) -> Part:
    """Return what lies behind the sensor, as identified, beside what the unit type has.

    A tenth either way is usual (guess, as for the type's data), and up to two contacts more.
    """
    ohm = identity.circuit_20c_ohm if identity.circuit_20c_ohm.known else identity.circuit_ohm
    usual = 0.9 * unit.winding_ohm, 1.1 * unit.winding_ohm + 2 * CONTACT_MOST_OHM
    return Part("unit with its earth lead", ohm, usual)


# --- what is usual ----------------------------------------------------------------------------


def _source(wiring: FeedCircuit) -> tuple[float, float]:
    return SUPPLY_OHM if wiring.regulated else BATTERY_OHM


def _lead(wiring: FeedCircuit) -> tuple[float, float] | None:
    if wiring.feed_m is None or wiring.area_mm2 is None:
        return None
    return lead_ohm(wiring.feed_m, wiring.area_mm2, wiring.temp_c)


def _fuse(wiring: FeedCircuit) -> float:
    return FUSE_OHM_A / wiring.fuse_a


def _joints(wiring: FeedCircuit) -> tuple[float, float]:
    """Source, fuse, and the two contacts of master relay and feed relay."""
    low, high = _source(wiring)
    fuse = _fuse(wiring)
    return low + fuse + 2 * CONTACT_USUAL_OHM, high + 1.3 * fuse + 2 * CONTACT_MOST_OHM


def _feed(wiring: FeedCircuit) -> tuple[float, float]:
    low, high = _joints(wiring)
    # Without a measured lead: up to three metres of 2.5 mm2 (guess).
    lead = _lead(wiring) or (0.0, lead_ohm(3.0, 2.5)[1])
    return low + wiring.shunt_ohm + lead[0], high + wiring.shunt_ohm + lead[1]


def _shared(wiring: FeedCircuit) -> tuple[float, float]:
    """What the coil shares with the motor: source, master relay, earth."""
    low, high = _source(wiring)
    back = (0.0, lead_ohm(3.0, 2.5)[1])
    if wiring.return_m is not None and wiring.area_mm2 is not None:
        back = lead_ohm(wiring.return_m, wiring.area_mm2, wiring.temp_c)
    return low + back[0], high + back[1] + CONTACT_MOST_OHM


def _rest(sag: Estimate, wiring: FeedCircuit, lead: tuple[float, float] | None) -> Estimate:
    if sag.value is None or sag.u is None:
        return sag
    if lead is None:
        return unknown("ohm", "the lead's length and area are not in the rig file (station.lead)")
    half = 0.5 * (lead[1] - lead[0])
    left = sag.value - wiring.shunt_ohm - 0.5 * sum(lead)
    return Estimate(left, math.hypot(sag.u, half / math.sqrt(3.0)), "ohm")


# --- what is too much -------------------------------------------------------------------------


def _over(part: Part) -> Estimate | None:
    """Return by how much a part is beyond what is usual; None unless beyond its uncertainty."""
    excess, u = part.excess_ohm, part.ohm.u
    if excess is None or u is None or excess <= 2.0 * u:
        return None
    return Estimate(excess, u, "ohm")


def _suspects(
    feed: Part, shared: Part, wiring: FeedCircuit, run_a: float, circuit: Part | None
) -> Iterator[Suspect]:
    in_feed, in_shared = _over(feed), _over(shared)
    common = None
    # One bad place is likelier than two; a regulated supply still has terminals and leads.
    if in_feed is not None and in_shared is not None:
        assert in_feed.value is not None
        assert in_shared.value is not None
        least = min(in_feed.value, in_shared.value)
        common = Estimate(least, math.hypot(in_feed.u or 0.0, in_shared.u or 0.0), "ohm")
        yield _suspect("source", _BOTH, common, run_a)
    seen = shared.ohm.known
    rest = _beyond(in_feed, common, feed, shared)
    if rest is not None:
        name, place = ("fuse holder", _FEED_ONLY) if seen else ("feed", _FEED)
        yield _suspect(name, place, rest, run_a)
    earth = _beyond(in_shared, common, shared, feed)
    if earth is not None:
        yield _suspect("earth", _EARTH, earth, run_a)
    behind = None if circuit is None or in_shared is not None else _over(circuit)
    if behind is not None:
        name, place = ("unit", _UNIT) if seen else ("unit or earth", _UNIT_OR_EARTH)
        yield _suspect(name, place, behind, run_a)


def _beyond(
    over: Estimate | None, common: Estimate | None, part: Part, other: Part
) -> Estimate | None:
    """Return what of an excess is not common to both; None if it may be nothing."""
    if over is None or common is None:
        return over
    assert over.value is not None
    assert common.value is not None
    left = over.value - common.value
    # What is usual of the other may itself vary: less than that says nothing.
    doubt = max(p.usual_ohm[1] - p.usual_ohm[0] for p in (part, other))
    u = math.hypot(over.u or 0.0, common.u or 0.0)
    return Estimate(left, u, "ohm") if left > doubt + 2.0 * u else None


# Where it may lie, and where to put a voltmeter.
_BOTH = (
    "the source, its terminals and leads, the main fuse F4, or the master relay's contact K1a, "
    "which relay coil and motor share: a tired battery or a loose clamp (or, less likely, in the "
    "fuse holder F1 and the unit's earth at once)",
    "put a voltmeter across the source's terminals, then across F4, then across K1a, then across "
    "the fuse holder F1, then from the unit's earth terminal to the star earth point",
)
_FEED_ONLY = (
    "the fuse holder F1, the feed relay's contact K2 or the lead before the shunt: the relay "
    "coil does not see it, so it is neither source nor earth",
    "put a voltmeter across the fuse holder, then across K2",
)
_FEED = (
    "the source, the fuse holders F4 and F1, the relay contacts K1a and K2, or a joint before the "
    "shunt: without a sensor in the ignition feed they are not told apart",
    "put a voltmeter across each fuse holder, then across each contact",
)
_EARTH = (
    "the unit's earth lead: relay coil and motor share it, and the feed before the sensor does not "
    "have it",
    "put a voltmeter from the unit's earth terminal to the star earth point",
)
_UNIT = (
    "the unit itself (winding, brushes, its contacts and loom): source, feed and earth are in "
    "order",
    "put a voltmeter from its battery terminal to the motor's own terminal",
)
_UNIT_OR_EARTH = (
    "what lies behind the sensor: the unit's earth lead, its loom, contacts, brushes or winding, "
    "which look the same to this rig",
    "put a voltmeter from the unit's earth terminal to the star earth point, which tells the earth",
)


def _suspect(name: str, place: tuple[str, str], ohm: Estimate, run_a: float) -> Suspect:
    assert ohm.value is not None
    assert ohm.u is not None
    where, how = place
    text = (
        f"{ohm.value:.3f} ohm ± {2.0 * ohm.u:.3f} ohm more than usual lie in {where}. By hand: "
        f"{how}, while the unit runs: the bad place shows about {ohm.value * run_a:.2f} V at "
        f"{run_a:.1f} A, a good joint less than {MEANT_V:g} V."
    )
    return Suspect(name, ohm, text)


def _not_told(
    sag: Estimate, coil_sag: Estimate, wiring: FeedCircuit, lead: tuple[float, float] | None
) -> Iterator[str]:
    if not sag.known:
        yield f"The feed's resistance: {sag.missing}."
    if not coil_sag.known:
        yield (
            f"A poor earth from a worn unit: {coil_sag.missing}. Measure by hand from the unit's "
            "earth terminal to the star earth point while the unit runs."
        )
    if lead is None:
        yield (
            "The lead from its joints: give its length and area in the rig file (station.lead), or "
            "measure across each joint by hand."
        )
