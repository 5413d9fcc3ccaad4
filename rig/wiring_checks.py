"""What may not be wired twice on a rig, and what is allowed and yet unwise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers import SensorWiring
from drivers.ina219 import AVERAGES, plan_sensor
from rig.central_url import WHAT_IT_MAY_BE, trouble_with_url
from rig.quality.instrument import GRADES
from rig.references import reference_clashes
from rig.schema import Clash, KeyPath, key_text

if TYPE_CHECKING:
    from rig.settings import RigSettings, SensorSettings, StationSettings

_I2C_PINS = {0: (0, 1), 1: (2, 3)}  # BCM pins of buses 0 and 1 on the Pi's header
# Pulled up from reset until software takes them; 9 to 27 are pulled down (BCM2835 ARM
# Peripherals, table of alternate functions, p. 102).
_PULLED_UP = range(9)
_SERIAL_PINS = (14, 15)
# The guard takes a feed for gone, or for welded, by two voltage readings (rig/bench/guard.py).
VOLTAGE_EVERY_S = 0.05


def conversion_s(average: int) -> float:
    """Return the longest time the sensor takes for one sample, s, averaging ``average`` times."""
    wiring = SensorWiring(bus=1, address=0x40, shunt_ohm=0.001, max_a=1.0, average=average)
    return plan_sensor(wiring).slowest_pair_s


@dataclass(frozen=True, slots=True)
class _PinUse:
    """A pin, where it is named, and if it is an output, whether high makes the relay."""

    path: KeyPath
    pin: int
    active_high: bool | None = None


def _pin_uses(rig: RigSettings) -> Iterator[_PinUse]:
    if rig.dead_man:
        yield _PinUse(("dead_man", "pin"), rig.dead_man.pin, rig.dead_man.active_high)
        if rig.dead_man.sense_pin is not None:
            yield _PinUse(("dead_man", "sense_pin"), rig.dead_man.sense_pin)
    if rig.emergency_stop:
        yield _PinUse(("emergency_stop", "pin"), rig.emergency_stop.pin)
    for number, station in enumerate(rig.stations):
        for name in ("battery_feed", "ignition_feed"):
            feed = getattr(station, name)
            yield _PinUse(("station", number, name, "pin"), feed.pin, feed.active_high)
        for name in ("at_run", "at_stop"):
            switch = getattr(station, name)
            if switch:
                yield _PinUse(("station", number, name, "pin"), switch.pin)


def _sensors(rig: RigSettings) -> Iterator[tuple[KeyPath, SensorSettings, int]]:
    """Yield each sensor with its path and its station's sample rate (Hz)."""
    for number, station in enumerate(rig.stations):
        yield ("station", number, "battery_sensor"), station.battery_sensor, station.sample_hz
        if station.ignition_sensor:
            yield ("station", number, "ignition_sensor"), station.ignition_sensor, station.sample_hz


def clashes_of(rig: RigSettings) -> Iterator[Clash]:
    """Yield what contradicts in the rig file."""
    yield from _pin_clashes(rig)
    yield from _sensor_clashes(rig)
    yield from _station_clashes(rig)
    yield from _slow_voltage(rig)
    yield from reference_clashes(rig.references)
    if rig.central.url and (trouble := trouble_with_url(rig.central.url)):
        yield Clash((("central", "url"),), trouble, WHAT_IT_MAY_BE)
    if rig.supply.programmable and not rig.supply.port.strip():
        yield Clash(
            (("supply", "port"), ("supply", "kind")),
            'the supply is of kind "scpi" and no port is given',
            'the serial port of the supply, such as "/dev/serial/by-id/...", or kind = "none"',
        )


def _pin_clashes(rig: RigSettings) -> Iterator[Clash]:
    first: dict[int, KeyPath] = {}
    buses = {sensor.bus for _, sensor, _ in _sensors(rig)} | {1}
    reserved = {pin: bus for bus in buses for pin in _I2C_PINS.get(bus, ())}
    for use in _pin_uses(rig):
        if use.pin in reserved:
            yield Clash(
                (use.path,),
                f"pin {use.pin} is a line of I2C bus {reserved[use.pin]}, which the sensors use",
                "a pin that nothing else uses, best out of 9 to 13 and 16 to 27",
            )
        elif use.pin in first:
            yield Clash(
                (use.path, first[use.pin]),
                f"pin {use.pin} is used already, by {key_text(first[use.pin])}",
                "each pin once on the rig",
            )
        else:
            first[use.pin] = use.path


def _sensor_clashes(rig: RigSettings) -> Iterator[Clash]:
    first: dict[tuple[int, int], KeyPath] = {}
    for path, sensor, sample_hz in _sensors(rig):
        place = (sensor.bus, sensor.address)
        if place in first:
            yield Clash(
                tuple((*each, key) for each in (path, first[place]) for key in ("address", "bus")),
                f"address 0x{sensor.address:02X} on bus {sensor.bus} is used already, "
                f"by {key_text(first[place])}",
                "each address once on a bus, or the same address on another bus",
            )
        first.setdefault(place, path)
        converting_s = conversion_s(sensor.average)
        if sensor.average > 1 and converting_s * sample_hz > 1:
            most = max((n for n in AVERAGES if conversion_s(n) * sample_hz <= 1), default=1)
            yield Clash(
                ((*path, "average"), ("station", path[1], "sample_hz")),
                f"averaging {sensor.average} conversions takes up to {converting_s * 1000:.1f} ms, "
                f"longer than a sample at {sample_hz} Hz",
                f"up to {most} at this rate, or a lower sample_hz",
            )


def _slow_voltage(rig: RigSettings) -> Iterator[Clash]:
    for number, station in enumerate(rig.stations):
        every = station.battery_sensor.bus_every
        if every > VOLTAGE_EVERY_S * station.sample_hz:
            yield Clash(
                (
                    ("station", number, "battery_sensor", "bus_every"),
                    ("station", number, "sample_hz"),
                ),
                f"the voltage would be read only every {every / station.sample_hz:.2f} s, too "
                "seldom for the guard to tell a feed that is gone from one that is there",
                f"up to {int(VOLTAGE_EVERY_S * station.sample_hz)} at {station.sample_hz} Hz",
            )


def _station_clashes(rig: RigSettings) -> Iterator[Clash]:
    if not rig.stations:
        yield Clash((("station",),), "there is no station", "one [[station]] table or more")
    first: dict[str, int] = {}
    for number, station in enumerate(rig.stations):
        if station.name in first:
            earlier = first[station.name]
            yield Clash(
                (("station", number, "name"), ("station", earlier, "name")),
                f'the name "{station.name}" is used already, by station[{earlier + 1}]',
                "each name once",
            )
        first.setdefault(station.name, number)


def warnings_of(rig: RigSettings) -> Iterator[str]:
    """Yield what is unwise in the rig, one sentence each."""
    from rig.settings import RATED_FUSE_A

    yield from _safety_warnings(rig)
    yield from _pin_warnings(rig)
    for station in rig.stations:
        if station.fuse_a > RATED_FUSE_A:
            yield (
                f'Station "{station.name}": the fuse is {station.fuse_a:g} A. A fuse above '
                f"{RATED_FUSE_A:g} A lets a jammed unit burn out; fit {RATED_FUSE_A:g} A."
            )
        fastest_hz = 1 / conversion_s(station.battery_sensor.average)
        if station.sample_hz > fastest_hz:
            yield (
                f'Station "{station.name}": at {station.sample_hz} Hz some samples repeat the one '
                f"before, because the sensor may need {1000 / fastest_hz:.2f} ms for each; use "
                f"{fastest_hz:.0f} Hz or less."
            )
        yield from _sure_of_gain(station)


def _sure_of_gain(station: StationSettings) -> Iterator[str]:
    """Warn of a gain that is said to be known better than chip and shunt are, and yet is 1.

    An older program's rig file said 0.005 of every rig.
    """
    sensor = station.battery_sensor
    grade = GRADES[sensor.sensor_grade or "A"]
    sheet_u_rel = math.hypot(grade.gain_rel, sensor.shunt_tolerance) / math.sqrt(3.0)
    if sensor.gain_u_rel is not None and sensor.gain == 1.0 and sensor.gain_u_rel < sheet_u_rel:
        yield (
            f'Station "{station.name}": gain_u_rel is {sensor.gain_u_rel:g}, less than chip and '
            f"shunt allow uncalibrated ({sheet_u_rel:.2g}), and gain is 1 as if nobody had "
            "looked. If it was not found against a meter, take gain_u_rel out."
        )


def _safety_warnings(rig: RigSettings) -> Iterator[str]:
    if rig.dead_man is None:
        yield (
            "The rig has no dead-man output: if this program hangs or is killed, nothing takes "
            "the feeds away. Fit the timer and name its pin under [dead_man]."
        )
    elif rig.dead_man.sense_pin is None:
        yield (
            "The master relay is not read back (dead_man.sense_pin): that it drops out cannot be "
            "proved before a run."
        )
    if rig.emergency_stop is None:
        yield (
            "The emergency stop is not read: it cuts the power by its own contacts, and the record "
            "will not say so. Wire its spare contact and name its pin under [emergency_stop]."
        )
    elif not rig.emergency_stop.normally_closed:
        yield (
            "The emergency stop is read through a normally open contact: a broken wire will not "
            "be noticed. Use a normally closed one."
        )


def _pin_warnings(rig: RigSettings) -> Iterator[str]:
    for use in _pin_uses(rig):
        key = key_text(use.path)
        if use.pin in _SERIAL_PINS:
            yield (
                f"{key}: pin {use.pin} belongs to the Pi's serial port and changes level while it "
                "boots; use 9 to 13 or 16 to 27."
            )
        elif use.active_high is True and use.pin in _PULLED_UP:
            yield (
                f"{key}: pin {use.pin} is pulled up while the Pi boots, which can make this "
                "relay; use 9 to 13 or 16 to 27, with a pull-down resistor."
            )
        elif use.active_high is False and use.pin not in _PULLED_UP:
            yield (
                f"{key}: pin {use.pin} is pulled down while the Pi boots, which can make this "
                "active-low relay; use an active-high driver, or fit a strong pull-up resistor."
            )
