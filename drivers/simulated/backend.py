"""The simulated bench as a backend: the same drivers, another world under them."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import Any, TypeVar

from drivers import (
    BackendError,
    BackendOptions,
    Clock,
    Finding,
    FindingState,
    Hands,
    I2CBus,
    RigWiring,
    SensorWiring,
)

from .chip import ChipSource, Ina219Chip, SimulatedBus
from .clocks import RealClock, VirtualClock
from .effects import Effects
from .faults import AppliedFault, parse_fault
from .hands import SimulatedHands
from .i2c import wired_bus
from .options import read_options
from .parameters import SensorErrors, UnitParameters
from .pins import SimulatedPinFactory
from .port import ScpiSupplyPort
from .sensing import BatterySensing, IgnitionSensing
from .world import World

# The data sheet gives the chip no noise figure; about half its 10 uV step is a guess.
_CHIP_NOISE_V = 5e-6
_Parameters = TypeVar("_Parameters", UnitParameters, SensorErrors)


class SimulatedBackend:
    """Pins, buses and port of a simulated rig (``drivers.Backend``).

    ``options.faults`` in the words of ``faults.parse_fault``; ``options.extra`` in those of
    ``options.read_options``.  ``world`` is for tests and consoles, never for drivers.  Raises
    BackendError with everything that is wrong with the options.
    """

    name = "simulated"
    simulated = True

    def __init__(
        self,
        wiring: RigWiring,
        options: BackendOptions | None = None,
        *,
        real_clock: Callable[[World], RealClock] = RealClock,
    ) -> None:
        self.options = options or BackendOptions()
        asked = read_options(self.options.extra, wiring)
        faults = []
        problems = list(asked.problems)
        for text in self.options.faults:
            try:
                faults.append(_fault_on(wiring, text))
            except ValueError as error:
                problems.append(str(error))
        if problems:
            raise BackendError(" ".join(problems))
        self.world = World(
            wiring,
            seed=self.options.seed,
            parameters=asked.parameters,
            spread=asked.spread,
            fitted=asked.fitted,
            battery_v=asked.supply_v,
            angle_deg=asked.angle_deg,
            noise_seed=asked.noise_seed,
        )
        noise_seed = self.options.seed if asked.noise_seed is None else asked.noise_seed
        self._noise_seed = noise_seed
        clock = real_clock(self.world) if self.options.real_time else VirtualClock(self.world)
        self.clock: Clock = clock
        self.pin_factory: Any = SimulatedPinFactory(self.world)
        self.hands: Hands | None = SimulatedHands(self.world)
        self._asked = asked
        self._port: ScpiSupplyPort | None = None
        self._errors: list[int] = []  # of the supply's queue, before it is switched on
        # Each with its sensor's wiring, its station, and whether it is in the battery feed.
        self._chips: list[tuple[Ina219Chip, SensorWiring, str, bool]] = []
        self._buses: dict[int, SimulatedBus] = {}
        for bus, chips in self._make_chips(wiring).items():
            rng = random.Random(f"{noise_seed} bus {bus}")
            self._buses[bus] = SimulatedBus(
                chips, clock.spend, rng=rng, failed=self.world.let_happen
            )
        self.world.listeners.append(self._spread_faults)
        self.world.strikes.append(self._strike)
        self._spread_faults(self.world.effects)
        for fault in faults:
            self.world.apply_fault(fault)

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``; BackendError if no sensor is wired to it."""
        return wired_bus(self._buses, bus)

    def serial_port(self, port: str) -> str:
        """Return the path of the simulated supply's port; it is switched on at the first call."""
        supply = self.world.wiring.supply
        if supply is None or supply.port != port or self.world.supply is None:
            raise BackendError(
                f"No supply is wired to the port '{port}'. Name it in the rig file's supply."
            )
        if self._port is None:
            self._port = ScpiSupplyPort(self.world.supply)
            for number in self._errors:
                self._port.queue_error(number)
            self._spread_faults(self.world.effects)
        return str(self._port.path)

    def facts(self) -> dict[str, str]:
        """Return seed, time, faults and how each unit differs from its type."""
        world = self.world
        said = {
            "seed": str(self.options.seed),
            "time": "real" if self.options.real_time else "virtual",
            "faults": " ".join(self.options.faults) or "none",
        }
        sensors = _differences(self._asked.sensor, SensorErrors())
        if sensors:
            said["sensors"] = sensors
        said.update({f"option {name}": value for name, value in self.options.extra.items()})
        for station in world.stations.values():
            if station.unit is not None:
                differs = _differences(station.unit.parameters, world.nominal)
                said[f"unit on {station.name}"] = differs or "as its type"
        return said

    def checks(self, buses: Sequence[int]) -> tuple[Finding, ...]:
        """Return that there is nothing to look at."""
        text = "emulated inside the program: nothing real is fed"
        return (Finding("pins", "Pins, buses and port", FindingState.OK, text),)

    def close(self) -> None:
        """Give the pins back and close the port.  Idempotent."""
        port, self._port = self._port, None
        if port is not None:
            port.close()
        self.pin_factory.close()

    # --- chips and faults of the rig ------------------------------------------------------

    def _make_chips(self, wiring: RigWiring) -> Mapping[int, dict[int, Ina219Chip]]:
        buses: dict[int, dict[int, Ina219Chip]] = {}

        def add(sensor: SensorWiring, station: str, source: ChipSource, battery: bool) -> None:
            rng = random.Random(f"{self._noise_seed} sensor {sensor.bus} {sensor.address}")
            chip = Ina219Chip(source, self.clock.now_s, rng)
            chips = buses.setdefault(sensor.bus, {})
            if sensor.address in chips:
                raise BackendError(
                    f"Two sensors are wired to address 0x{sensor.address:02X} of I2C bus "
                    f"{sensor.bus}. Give each its own address in the rig file."
                )
            chips[sensor.address] = chip
            self._chips.append((chip, sensor, station, battery))

        for station in wiring.stations:
            place = self.world.stations[station.name]
            name = station.name
            battery = BatterySensing(self.world, place, self._asked.sensor)
            add(station.battery_sensor, name, battery, True)
            if station.ignition_sensor is not None:
                add(station.ignition_sensor, name, IgnitionSensing(self.world, place), False)
        return buses

    def _spread_faults(self, effects: Effects) -> None:
        """Pass the rig's faults on to chips, buses and port.  Sensor faults: battery feeds only."""
        for chip, sensor, station, battery in self._chips:
            noise_a = self._asked.noise_a
            noise_v = _CHIP_NOISE_V if noise_a is None else noise_a * sensor.shunt_ohm
            if battery:
                there = self.world.stations[station].effects
                chip.absent = there.sensor_absent
                chip.stuck = there.sensor_stuck
                chip.offset_v = there.sensor_offset_a * sensor.shunt_ohm
                noise_v += there.sensor_noise_a * sensor.shunt_ohm
            chip.noise_v = noise_v
        for bus in self._buses.values():
            bus.hung = effects.bus_hung
            bus.nack_share = effects.bus_nack_share
        if self._port is not None:
            self._port.silent = effects.supply_silent
            self._port.lies = effects.supply_lies
            if effects.supply_unplugged:
                self._port.unplug(wait=False)  # it may wait for the world, which waits for us
            else:
                self._port.replug()

    def _strike(self, fault: AppliedFault) -> None:
        """Let happen what happens once."""
        if fault.fault.name == "chip-reset":
            for chip, _, station, battery in self._chips:
                if battery and fault.is_on(station):
                    chip.power_on_reset()
        elif self._port is None:
            self._errors.append(round(fault.degree))
        else:
            self._port.queue_error(round(fault.degree))


def _fault_on(wiring: RigWiring, text: str) -> AppliedFault:
    """Return the fault that ``text`` asks for; ValueError if it or its station is not known."""
    fault = parse_fault(text)
    names = [station.name for station in wiring.stations]
    if fault.station and fault.station not in names:
        raise ValueError(
            f"The fault '{text}' is of the station '{fault.station}'. There are: "
            f"{', '.join(names)}."
        )
    return fault


def _differences(actual: _Parameters, nominal: _Parameters) -> str:
    parts = []
    for field in fields(actual):
        name = field.name
        value, usual = getattr(actual, name), getattr(nominal, name)
        if value == usual:
            continue
        if isinstance(value, float):
            parts.append(f"{name} {value:.5g} instead of {usual:.5g}")
        elif isinstance(value, tuple):
            parts.append(f"{name} {value[0]:.2f} to {value[1]:.2f}")
    return ", ".join(parts)
