"""The rig in words: how its stations are wired, what of it is real, and its sensor's zero."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from drivers.ina219 import PGA_RANGES_V, SHUNT_STEP_V, milli
from rig.bench.events import ZeroFound
from rig.console.desk import Desk
from rig.console.rig_state import NOT_READ_BACK, NOT_WIRED
from rig.quality.calibration_words import standing_line
from rig.quality.decision import COVERAGE
from rig.records.calibrations import RigCheckRecord
from rig.schema import Lines
from rig.settings import (
    OutputSettings,
    RigSettings,
    SensorSettings,
    StationSettings,
    SwitchSettings,
)

Fact = tuple[str, str]
"""What it is, and how it is."""


def station_facts(station: StationSettings) -> Iterator[Fact]:
    """Yield how a station is wired."""
    yield "Battery feed", _output(station.battery_feed)
    yield "Ignition feed", _output(station.ignition_feed)
    yield "Fuse", f"{station.fuse_a:g} A"
    yield "Feed sensor", _place(station.battery_sensor)
    yield from _shunt(station.battery_sensor)
    coil = station.ignition_sensor
    yield "Coil sensor", NOT_WIRED if coil is None else _place(coil)
    if coil is not None:
        yield from _shunt(coil)
    yield "Jig at run", _switch(station.at_run)
    yield "Jig at stop", _switch(station.at_stop)
    yield "Samples", f"{station.sample_hz} a second"


def rig_facts(settings: RigSettings) -> Iterator[Fact]:
    """Yield how what all stations share is wired."""
    dead_man = settings.dead_man
    if dead_man is None:
        yield "Dead-man", NOT_WIRED
    else:
        yield "Dead-man", f"{_output(dead_man)}, {dead_man.timeout_s:g} s"
        sense = dead_man.sense_pin
        yield "Master relay", NOT_READ_BACK if sense is None else f"read on GPIO {sense}"
    yield "Emergency stop", _switch(settings.emergency_stop)
    supply = settings.supply
    if supply.programmable:
        yield "Supply", f"SCPI to {supply.max_v:g} V {supply.max_a:g} A"
        yield "", supply.port
    else:
        yield "Supply", f"set by hand, {settings.battery_v:g} V"
    yield "Rig file", str(settings.file)


def _output(output: OutputSettings) -> str:
    return f"GPIO {output.pin}" if output.active_high else f"GPIO {output.pin}, low makes it"


def _switch(switch: SwitchSettings | None) -> str:
    if switch is None:
        return NOT_WIRED
    return f"GPIO {switch.pin}, {'opens' if switch.normally_closed else 'closes'}"


def _place(sensor: SensorSettings) -> str:
    return f"0x{sensor.address:02X}, I2C bus {sensor.bus}"


def _shunt(sensor: SensorSettings) -> Iterator[Fact]:
    most_a = PGA_RANGES_V[-1] / sensor.shunt_ohm * sensor.gain
    step_a = SHUNT_STEP_V / sensor.shunt_ohm * sensor.gain
    yield "", f"{milli(sensor.shunt_ohm)} mohm to {most_a:.3g} A"
    yield "", f"in {milli(step_a)} mA steps"


# --- what is real -----------------------------------------------------------------------------


def world_words(desk: Desk) -> str:
    """Return what of the bench is simulated and what is real."""
    if desk.has_world:
        choices = desk.choices
        faults = ", ".join(choices.faults) or "none"
        return (
            "Nothing: relays, sensors, switches, supply and unit are simulated. Unit no. "
            f"{choices.seed}, faults from the start: {faults}."
        )
    if desk.backend_name == "pi":
        return (
            "Everything: this computer's pins and bus, the relays, the supply. A unit on the jig "
            "moves."
        )
    return (
        f"Not known here: {desk.backend_name}, from outside this program, brings pins, bus and "
        f"supply. Take it for real. {_facts_in_words(desk)}"
    ).strip()


def _facts_in_words(desk: Desk) -> str:
    began = desk.live.began
    facts: Mapping[str, str] = began.facts if began is not None else {}
    said = ", ".join(f"{name} {value}" for name, value in facts.items())
    return f"It says: {said}." if said else ""


# --- what is kept of it -----------------------------------------------------------------------


def calibration_fact(desk: Desk) -> str | None:
    """Return how the station's calibration stands; None for a simulated rig that never had one."""
    return standing_line(desk.calibration) or None


def last_check_words(check: RigCheckRecord | None) -> str:
    """Return what the last self-check came to; empty if none is kept."""
    if check is None:
        return ""
    return f"The last one, {check.ended_at.astimezone():%Y-%m-%d %H:%M}: {check.text}"


# --- zero -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ZeroWords:
    """A sensor's zero against the rig file; ``line`` is what to write there, empty if it is right.

    ``where`` says into which line of it.
    """

    found: str
    noise: str
    in_file: str
    advice: str
    line: str = ""
    where: str = ""


def zero_words(zero: ZeroFound, settings: RigSettings) -> ZeroWords:
    """Return what to say of a zero that was found on one of the rig's stations."""
    found = f"{_signed_milli(zero.offset_a)} mA, U {zero.u_a * 1000:.1f} mA"
    noise = f"{zero.noise_a * 1000:.1f} mA"
    in_file = f"{_signed_milli(zero.in_rig_file_a)} mA"
    off_a = abs(zero.offset_a - zero.in_rig_file_a)
    if zero.calibrated:
        advice = "The zero is as it was calibrated, within U (k = 2)."
        fed_u_a = COVERAGE * settings.station(zero.station).battery_sensor.zero_u_a
        if off_a > zero.u_a:
            # Where that could be seen it was calibrated with the feed made.
            advice = "The zero is as it was calibrated, within what the feed moves it by (R4)."
        if off_a > math.hypot(zero.u_a, fed_u_a):
            advice = "The zero has moved since the calibration: calibrate again if it stays so."
        return ZeroWords(found, noise, in_file, advice)
    if off_a <= zero.u_a:
        return ZeroWords(found, noise, in_file, "The rig file is right within U (k = 2).")
    return ZeroWords(
        found,
        noise,
        in_file,
        f"The rig file is {off_a * 1000:.1f} mA off. Write",
        f"offset_a = {zero.offset_a:.4f}",
        _where(zero.station, settings),
    )


def _signed_milli(current_a: float) -> str:
    return f"{current_a * 1000:+z.1f}"


def _where(station: str, settings: RigSettings) -> str:
    names = [each.name for each in settings.stations]
    path = ("station", names.index(station), "battery_sensor", "offset_a")
    number = Lines(settings.text).of(path)
    text = settings.text.split("\n")[number - 1].strip() if number is not None else ""
    if text.startswith("offset_a"):
        return f"in place of line {number} of {settings.file.name}."
    under = f", below line {number}" if number is not None else ""
    return f'into {settings.file.name}, station "{station}", [station.battery_sensor]{under}.'
