"""What the simulated bench can be asked for besides seed, faults and time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from drivers import RigWiring

from .parameters import SensorErrors, UnitParameters

_SENSOR = {f"sensor.{f.name}": f.name for f in fields(SensorErrors)}
_SENSOR_RANGES = {
    "gain": (0.5, 2.0),
    "offset_a": (-1.0, 1.0),
    "voltage_gain": (0.5, 2.0),
    "voltage_offset_v": (-1.0, 1.0),
    "fed_zero_a": (-0.1, 0.1),
}
_NUMBERS = tuple(f.name for f in fields(UnitParameters) if f.type == "float")
_KNOWN = (
    "angle_deg, supply_v, noise_a, noise_seed, spread, units, "
    f"{', '.join(_SENSOR)}, unit.<parameter>"
)
RANGES = {"angle_deg": (0.0, 360.0), "supply_v": (0.0, 60.0), "noise_a": (0.0, 100.0)}


@dataclass(frozen=True, slots=True)
class WorldOptions:
    """Options read; ``problems`` are sentences, one for each mistake.

    ``angle_deg`` where the units stand at first (None: parked at stop), ``supply_v`` the
    battery's voltage (None: as wired), ``noise_a`` the sensors' noise (None: usual), ``spread``
    whether units differ from their type, ``fitted`` the stations with a unit (None: the first),
    ``sensor`` what the battery feeds' sensors are off by; ``noise_seed`` has the same rig and units
    measured at another time (None: the seed).
    """

    angle_deg: float | None = None
    supply_v: float | None = None
    noise_a: float | None = None
    noise_seed: int | None = None
    spread: bool = True
    fitted: tuple[str, ...] | None = None
    parameters: UnitParameters = field(default_factory=UnitParameters)
    sensor: SensorErrors = field(default_factory=SensorErrors)
    problems: tuple[str, ...] = ()


def read_options(extra: Mapping[str, str], wiring: RigWiring) -> WorldOptions:
    """Read ``angle_deg``, ``supply_v``, ``noise_a`` (numbers), ``noise_seed`` (whole), ``spread``
    (0 or 1), ``units`` (stations with a unit, separated by commas, or ``all``), ``sensor.<error>``
    and ``unit.<parameter>`` (numbers).
    """
    read = WorldOptions()
    problems = []
    for name, text in extra.items():
        try:
            read = _take(read, name, str(text), wiring)
        except ValueError as error:
            problems.append(str(error))
    return replace(read, problems=tuple(problems))


def _take(read: WorldOptions, name: str, text: str, wiring: RigWiring) -> WorldOptions:
    if name in RANGES:
        low, high = RANGES[name]
        number = _number(name, text)
        if not low <= number <= high:
            raise ValueError(f"The option {name} = '{text}' should be {low:g} to {high:g}.")
        if name == "angle_deg":
            return replace(read, angle_deg=number)
        if name == "supply_v":
            return replace(read, supply_v=number)
        return replace(read, noise_a=number)
    if name == "noise_seed":
        if not (text.isascii() and text.isdigit() and len(text) <= 18):
            raise ValueError(f"The option noise_seed = '{text}' should be a whole number from 0.")
        return replace(read, noise_seed=int(text))
    if name == "spread":
        if text not in ("0", "1"):
            raise ValueError(f"The option spread = '{text}' should be 0 or 1.")
        return replace(read, spread=text == "1")
    if name == "units":
        return replace(read, fitted=_stations(text, wiring))
    if name in _SENSOR:
        number = _number(name, text)
        low, high = _SENSOR_RANGES[_SENSOR[name]]
        if not low <= number <= high:
            raise ValueError(f"The option {name} = '{text}' should be {low:g} to {high:g}.")
        errors: dict[str, Any] = {_SENSOR[name]: number}
        return replace(read, sensor=replace(read.sensor, **errors))
    parameter = name.removeprefix("unit.")
    if parameter != name and parameter in _NUMBERS:
        number = _number(name, text)
        usual: float = getattr(UnitParameters(), parameter)
        # What is not nothing cannot become so, nor turn round: the physics divides by most of it.
        least = usual / 100.0 if usual > 0.0 else 0.0
        most = usual * 100.0 if usual > 0.0 else 360.0
        if not least <= number <= most:
            raise ValueError(f"The option {name} = '{text}' should be {least:g} to {most:g}.")
        values: dict[str, Any] = {parameter: number}
        return replace(read, parameters=replace(read.parameters, **values))
    if parameter != name:
        raise ValueError(f"A unit has no parameter '{parameter}'. It has: {', '.join(_NUMBERS)}.")
    raise ValueError(f"The simulated bench has no option '{name}'. It has: {_KNOWN}.")


def _stations(text: str, wiring: RigWiring) -> tuple[str, ...]:
    names = tuple(station.name for station in wiring.stations)
    if text == "all":
        return names
    asked = tuple(part.strip() for part in text.split(",") if part.strip())
    for name in asked:
        if name not in names:
            raise ValueError(
                f"The option units names the station '{name}'. There are: {', '.join(names)}."
            )
    return asked


def _number(name: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ValueError(f"The option {name} = '{text}' should be a number.")
    return number
