"""How many samples a second several stations can have on one I2C bus, and whether they fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from drivers.ina219 import mean_read_bits
from rig.settings import RigSettings, StationSettings

IGNITION_EVERY = 5
"""The ignition sensor and the jig's switches are read with every so many samples."""
# The bus may be in use for this share of the time at most; the rest is the program's own (guess).
BUS_SHARE = 0.6
MOST_STATIONS = 4
RATES_HZ = (2000, 1000, 800, 500, 400, 250, 200)
"""Sample rates to choose from, Hz: those whose period is no odd fraction of a millisecond."""


@dataclass(frozen=True, slots=True)
class Crowd:
    """What so many stations can have: ``most_hz`` samples a second each, by the bus alone."""

    stations: int
    most_hz: float
    bus_s: float  # of the bus's time for one sample of every station

    @property
    def samples_hz(self) -> int:
        """What a rig file may ask for with so many at work, Hz."""
        return int(min(self.most_hz, RATES_HZ[0]))

    @property
    def usual_hz(self) -> int:
        """The next rate below, in round figures; 0 if not even the slowest fits."""
        return next((rate for rate in RATES_HZ if rate <= self.most_hz), 0)


def bus_time_s(station: StationSettings, i2c_hz: float) -> float:
    """Return the bus's mean time for one sample of a station, s, both sensors counted."""
    bits = mean_read_bits(station.battery_sensor.bus_every)
    if station.ignition_sensor is not None:
        bits += mean_read_bits(station.ignition_sensor.bus_every) / IGNITION_EVERY
    return bits / i2c_hz


def crowd(settings: RigSettings, stations: Sequence[str]) -> Crowd:
    """Return what ``stations`` of a rig can have at once."""
    i2c_hz = settings.control.i2c_hz
    bus_s = sum(bus_time_s(settings.station(name), i2c_hz) for name in stations)
    return Crowd(len(stations), BUS_SHARE / bus_s, bus_s)


def crowds(settings: RigSettings) -> Iterator[Crowd]:
    """Yield what one, two ... of the rig's stations can have at once, taken in their order."""
    names = [station.name for station in settings.stations]
    for count in range(1, min(len(names), MOST_STATIONS) + 1):
        yield crowd(settings, names[:count])


def crowds_in_words(settings: RigSettings) -> str:
    """Return one line on what several stations can have; empty for a rig with a single one."""
    if len(settings.stations) == 1:
        return ""
    each = ", ".join(f"{one.stations}: {one.samples_hz}" for one in crowds(settings))
    clock = f"{settings.control.i2c_hz / 1000:g} kHz"
    return f"samples a second each, by how many stations are at work at once ({clock} bus): {each}"


def why_crowded(settings: RigSettings, stations: Sequence[str]) -> str:
    """Return why ``stations`` cannot be at work at once, and what to do; empty if they can."""
    if len(stations) > MOST_STATIONS:
        return (
            f"{len(stations)} stations at once are too many: {MOST_STATIONS} at most can be at "
            "work on one computer."
        )
    together = crowd(settings, stations)
    names = ", ".join(stations)
    for name in stations:
        sample_hz = settings.station(name).sample_hz
        if sample_hz > together.most_hz:
            slower = (
                f"Set sample_hz = {together.usual_hz} for each of them in the rig file"
                if together.usual_hz
                else "Raise the bus clock"
            )
            return (
                f"Station {name} is to be sampled {sample_hz} times a second, and with the "
                f"stations {names} at work at once the I2C bus at "
                f"{settings.control.i2c_hz / 1000:g} kHz leaves each {together.most_hz:.0f}. "
                f"{slower}, or have fewer of them at work at once."
            )
    return ""
