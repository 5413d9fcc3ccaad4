"""The catalogue of faults of the simulated bench, and how they are asked for."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from .effects import Effects

Kind = Literal["unit", "feed", "rig"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that can be wrong.

    ``name`` as it is asked for, ``says`` in plain words; ``degree_unit`` empty if it is there or
    not, else the degree is between ``low`` and ``high`` and ``default`` if not given.  ``sets``
    is the field of ``Effects`` that it fills, empty for what happens ``once``, at an instant, and
    is over.  ``inspections`` are the checks by eye or hand at the jig that would find it.
    """

    name: str
    says: str
    kind: Kind
    sets: str
    degree_unit: str = ""
    default: float = 1.0
    low: float = 1.0
    high: float = 1.0
    inspections: tuple[str, ...] = ()
    once: bool = False

    @property
    def usage(self) -> str:
        """How it is asked for: its name, with the degree's default and range if it has one."""
        if not self.has_degree:
            return self.name
        return f"{self.name}={self.default:g}  ({self.low:g} to {self.high:g} {self.degree_unit})"

    @property
    def has_degree(self) -> bool:
        """Whether it can be asked for in degrees."""
        return self.degree_unit != ""


@dataclass(frozen=True, slots=True)
class AppliedFault:
    """A fault of a degree, from ``after_s`` of world time on, for ``lasts_s`` (s).

    It is there on ``station``, or on all if that is empty.
    """

    fault: Fault
    degree: float
    after_s: float = 0.0
    lasts_s: float = math.inf
    station: str = ""

    @property
    def name(self) -> str:
        """Name in the catalogue, and before it the station if it is of one."""
        return f"{self.station}:{self.fault.name}" if self.station else self.fault.name

    def is_on(self, station: str) -> bool:
        """Tell whether it is there on ``station``."""
        return self.station in ("", station)

    def __str__(self) -> str:
        degree = f"={self.degree:g}" if self.fault.has_degree else ""
        after = f"@{self.after_s:g}" if self.after_s > 0.0 else ""
        lasts = f"+{self.lasts_s:g}" if self.lasts_s < math.inf else ""
        return f"{self.name}{degree}{after}{lasts}"

    def apply(self, effects: Effects) -> None:
        """Add this fault to ``effects``; what happens once leaves none."""
        if not self.fault.once:
            setattr(effects, self.fault.sets, self.degree if self.fault.has_degree else True)


_ALL = (
    # --- the unit: mechanics
    Fault(
        "jammed", "the output cannot pass this angle", "unit", "jam_deg",
        "deg", 90.0, 0.0, 359.9, ("lever_free",),
    ),
    Fault(
        "binding", "a kinked cable: extra torque about half way, both ways", "unit", "binding_nm",
        "N m", 6.0, 0.1, 60.0, ("cable_kinked",),
    ),
    Fault(
        "dry-gear", "no grease left: friction this many times as large", "unit", "friction_factor",
        "times", 7.0, 1.0, 40.0,
    ),
    Fault(
        "seized-cable", "the cable is stuck: this much free play and no more", "unit", "play_deg",
        "deg", 5.0, 0.0, 90.0, ("lever_free", "cable_run", "cable_moves"),
    ),
    Fault(
        "dragging-cable", "the cable drags all the way: extra torque", "unit", "extra_torque_nm",
        "N m", 6.0, 0.1, 60.0, ("cable_kinked", "cable_run"),
    ),
    Fault(
        "broken-cable", "the cable has parted: no load", "unit", "cable_broken",
        inspections=("sheath_parted",),
    ),
    Fault(
        "spring-cable", "a spring loads the cable: resists to run, helps to stop (greatest torque)",
        "unit", "spring_nm", "N m", 4.0, 0.1, 60.0,
    ),
    # --- the unit: motor
    Fault(
        "shorted-turns", "this share of the winding's turns is shorted", "unit", "turns_lost",
        "share", 0.3, 0.0, 0.8,
    ),
    Fault(
        "worn-brushes", "brushes at their end: extra resistance", "unit", "brush_ohm",
        "ohm", 0.6, 0.0, 50.0,
    ),
    Fault(
        "intermittent-brush", "a brush or joint opens for some ms, so often while turning",
        "unit", "brush_dropouts_per_s", "per s", 8.0, 0.1, 100.0,
    ),
    Fault("open-winding", "the winding is open: no current at all", "unit", "winding_open"),
    # --- the unit: cam
    Fault(
        "cam-short", "a track worn away at its end: it opens at this angle", "unit",
        "track_ends_deg", "deg", 120.0, 5.0, 355.0, ("cam_tracks_end",),
    ),
    Fault(
        "cam-dead-spot", "12 degrees of both tracks about this angle do not conduct", "unit",
        "dead_spot_deg", "deg", 182.0, 0.0, 359.9,
    ),
    Fault("cam-welded", "both tracks conduct all round: it never parks", "unit", "tracks_welded"),
    # --- the unit: relay
    Fault("relay-dead", "the relay's coil draws current, its armature stays", "unit", "relay_dead"),
    Fault(
        "relay-coil-open", "the relay's coil is open", "unit", "relay_coil_open",
        inspections=("coil_resistance",),
    ),
    Fault("relay-welded", "the relay's contact is welded made", "unit", "relay_welded"),
    Fault(
        "relay-high-resistance", "burnt relay contacts: extra resistance", "unit", "relay_ohm",
        "ohm", 0.8, 0.0, 50.0,
    ),
    Fault(
        "relay-weak-pull-in", "the relay needs this voltage to operate", "unit",
        "relay_pull_in_v", "V", 11.0, 3.0, 30.0,
    ),
    Fault(
        "ignition-open", "the unit's ignition lead or pin is broken: its relay gets no voltage",
        "unit", "ignition_open", inspections=("ignition_at_terminal",),
    ),
    # --- the feed
    Fault(
        "fuse-holder-corroded", "a corroded fuse holder: extra resistance", "feed", "holder_ohm",
        "ohm", 0.5, 0.0, 50.0, ("fuse_holder_clean",),
    ),
    Fault(
        "poor-earth", "a poor earth: extra resistance in the unit's return", "feed", "earth_ohm",
        "ohm", 0.5, 0.0, 50.0, ("earth_good",),
    ),
    Fault(
        "leakage", "damp: this current flows at rest, at 12 V", "feed", "leak_a",
        "A", 0.15, 0.0, 5.0, ("water_inside", "connector_clean"),
    ),
    Fault(
        "battery-open", "the unit's battery lead or pin is broken: no voltage reaches its relay",
        "feed", "battery_open", inspections=("battery_at_terminal",),
    ),
    Fault(
        "wrong-polarity", "battery and earth leads of the unit are crossed", "feed", "reversed",
        inspections=("battery_at_terminal", "leads_right_way"),
    ),
    Fault(
        "weak-supply", "a tired battery or thin leads: extra source resistance", "feed",
        "source_ohm", "ohm", 0.6, 0.0, 50.0,
    ),
    Fault(
        "over-rated-fuse", "a fuse of this rating is fitted", "feed", "fuse_a",
        "A", 30.0, 1.0, 100.0, ("fuse_holder_clean",),
    ),
    # --- the rig
    Fault("sensor-absent", "the current sensor does not answer", "rig", "sensor_absent"),
    Fault("sensor-stuck", "the current sensor repeats its last value", "rig", "sensor_stuck"),
    Fault(
        "sensor-offset", "the current sensor reads this much too high", "rig", "sensor_offset_a",
        "A", 0.3, -20.0, 20.0,
    ),
    Fault(
        "sensor-noisy", "the current sensor's reading scatters (standard deviation)", "rig",
        "sensor_noise_a", "A", 0.5, 0.0, 20.0,
    ),
    Fault(
        "sensor-clipped", "the current sensor goes to its end above this current", "rig",
        "sensor_clip_a", "A", 4.0, 0.01, 100.0,
    ),
    Fault(
        "voltage-missing", "the voltage of the feed is read as nothing", "rig", "voltage_missing"
    ),
    Fault(
        "chip-reset", "the current sensor falls back to its power-on state, once", "rig", "",
        once=True,
    ),
    Fault("bus-hang", "the I2C bus is held low", "rig", "bus_hung"),
    Fault(
        "bus-nack", "so often no chip on the I2C bus acknowledges", "rig", "bus_nack_share",
        "share", 0.05, 0.0001, 1.0,
    ),
    Fault(
        "feed-relay-stuck-open", "the battery feed's relay does not close", "rig",
        "feed_relay_open", inspections=("battery_at_terminal",),
    ),
    Fault(
        "feed-relay-welded", "the battery feed's relay does not open", "rig", "feed_relay_welded"
    ),
    Fault("supply-lost", "no voltage comes from the battery or supply any more", "rig",
        "supply_lost", inspections=("battery_at_terminal", "ignition_at_terminal"),
    ),
    Fault("supply-silent", "the bench supply does not answer", "rig", "supply_silent"),
    Fault(
        "supply-lies", "the bench supply takes settings and does not carry them out", "rig",
        "supply_lies",
    ),
    Fault(
        "supply-error", "the bench supply reports an error of its own, once (SCPI number)", "rig",
        "", "number", -240.0, -499.0, -100.0, once=True,
    ),
    Fault(
        "supply-unplugged", "the bench supply's serial cable is off", "rig", "supply_unplugged"
    ),
    Fault("emergency-stop", "the emergency stop is pressed", "rig", "stop_pressed"),
    Fault(
        "switches-contradict", "both end switches of the jig are actuated", "rig",
        "switches_both",
    ),
    Fault("switches-dead", "no end switch of the jig is ever actuated", "rig", "switches_dead"),
)  # fmt: skip

# What all stations share cannot be at fault for one of them.
_OF_THE_RIG = frozenset(
    {
        "source_ohm",
        "bus_hung",
        "bus_nack_share",
        "supply_lost",
        "supply_silent",
        "supply_lies",
        "supply_unplugged",
        "stop_pressed",
    }
)

CATALOGUE: dict[str, Fault] = {fault.name: fault for fault in _ALL}


# The plus sign before how long a fault lasts, and none of a number's own; names end in e, too.
_LASTS = re.compile(r"(?<![=@+])(?<![\d.][eE])\+")


def parse_fault(text: str) -> AppliedFault:
    """Read ``[station:]name[=degree][@seconds][+seconds]``: where, how much, from when, how long.

    Raises ValueError with a sentence that says what is wrong and what is allowed.
    """
    station, has_station, of_station = text.strip().rpartition(":")
    if has_station:
        return _on(station.strip(), parse_fault(of_station))
    begun, *lasting = _LASTS.split(text.strip(), maxsplit=1)
    rest, has_time, time_text = begun.partition("@")
    name, has_degree, degree_text = rest.partition("=")
    fault = CATALOGUE.get(name.strip())
    if fault is None:
        raise ValueError(_unknown(name.strip()))
    after_s = 0.0
    if has_time:
        after_s = _number(time_text)
        if not 0.0 <= after_s < math.inf:
            raise ValueError(
                f"In the fault '{text}', '@{time_text}' should be the seconds from the start "
                "at which it sets in, for example @2.5."
            )
    lasts_s = _lasting_s(fault, text, lasting[0]) if lasting else math.inf
    if not has_degree:
        return AppliedFault(fault, fault.default, after_s, lasts_s)
    if not fault.has_degree:
        raise ValueError(
            f"The fault '{name}' is there or not: leave '={degree_text}' away. It means: "
            f"{fault.says}."
        )
    degree = _number(degree_text)
    if not fault.low <= degree <= fault.high:
        raise ValueError(
            f"The degree '{degree_text}' of the fault '{name}' should be a number from "
            f"{fault.low:g} to {fault.high:g} {fault.degree_unit} ({fault.says})."
        )
    return AppliedFault(fault, degree, after_s, lasts_s)


def is_of_the_rig(fault: Fault) -> bool:
    """Tell whether all stations have a fault that one of them has: it is of what they share."""
    return fault.sets in _OF_THE_RIG or fault.name == "supply-error"


def _on(station: str, applied: AppliedFault) -> AppliedFault:
    fault = applied.fault
    if not station:
        raise ValueError(f"Before ':{fault.name}' the station's name is missing.")
    if is_of_the_rig(fault):
        raise ValueError(
            f"The fault '{fault.name}' is of the whole rig, not of one station: leave "
            f"'{station}:' away. It means: {fault.says}."
        )
    return replace(applied, station=station)


def _lasting_s(fault: Fault, text: str, lasting: str) -> float:
    if fault.once:
        raise ValueError(
            f"The fault '{fault.name}' is over as soon as it has happened: leave '+{lasting}' away."
        )
    lasts_s = _number(lasting)
    if not 0.0 < lasts_s < math.inf:
        raise ValueError(
            f"In the fault '{text}', '+{lasting}' should be the seconds after which it passes, for "
            "example +0.2."
        )
    return lasts_s


def combine(faults: Iterable[AppliedFault]) -> Effects:
    """Return the effects of faults together."""
    effects = Effects()
    for fault in faults:
        fault.apply(effects)
    return effects


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(name, CATALOGUE, n=3, cutoff=0.5)
    hint = f" Nearest: {', '.join(near)}." if near else ""
    return f"There is no fault '{name}'.{hint} All of them: {', '.join(CATALOGUE)}."
