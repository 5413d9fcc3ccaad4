"""A simulated rig with its drivers, and a control loop as plain as can be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from small_rig import RIG

from drivers import BackendOptions, Reading, RigWiring, StationWiring
from drivers.current import CurrentSensor
from drivers.feeds import DeadMan, FeedOutput
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.station import Station
from drivers.simulated.unit import Unit
from drivers.switches import Switch


class Bench:
    """The rig of ``wiring`` with its drivers; ``run`` reads and toggles at ``hz``."""

    def __init__(self, *faults: str, wiring: RigWiring = RIG, **options: Any) -> None:
        extra = options.pop("extra", {"spread": "0"})
        self.backend = SimulatedBackend(
            wiring, BackendOptions(faults=faults, extra=extra, **options)
        )
        self.world = self.backend.world
        station, factory = wiring.stations[0], self.backend.pin_factory
        self.battery = FeedOutput(station.battery_feed, factory)
        self.ignition = FeedOutput(station.ignition_feed, factory)
        self.dead_man = DeadMan(wiring.dead_man, factory) if wiring.dead_man else None
        self.sensors = [
            CurrentSensor(sensor, self.backend.i2c(sensor.bus), self.backend.clock)
            for sensor in (station.battery_sensor, station.ignition_sensor)
            if sensor is not None and "sensor-absent" not in faults and "bus-hang" not in faults
        ]
        self.at_run = Switch(station.at_run, factory) if station.at_run else None
        self.at_stop = Switch(station.at_stop, factory) if station.at_stop else None
        self.toggling = True
        self.readings: list[Reading] = []
        self.coil: list[Reading] = []

    @property
    def station(self) -> Station:
        return next(iter(self.world.stations.values()))

    @property
    def unit(self) -> Unit:
        assert self.station.unit is not None
        return self.station.unit

    @property
    def now_s(self) -> float:
        return self.backend.clock.now_s()

    def feed(self, battery: bool, ignition: bool) -> None:
        (self.battery.make if battery else self.battery.release)()
        (self.ignition.make if ignition else self.ignition.release)()

    def run(self, seconds: float, hz: float = 500.0) -> list[Reading]:
        """Run the loop and return the battery sensor's readings of it."""
        began_s = self.now_s
        first = len(self.readings)
        for number in range(1, round(seconds * hz) + 1):
            if self.sensors:
                self.readings.append(self.sensors[0].read())
            if len(self.sensors) > 1:
                self.coil.append(self.sensors[1].read())
            if self.toggling and self.dead_man is not None:
                self.dead_man.toggle()
            self.backend.clock.sleep_until(began_s + number / hz)
        return self.readings[first:]

    def armed(self) -> Bench:
        """Run until the master relay has picked up, then make the battery feed."""
        self.run(0.1)
        self.feed(True, False)
        self.run(0.1)
        return self

    def to_run(self, seconds: float = 1.5) -> list[Reading]:
        self.feed(True, True)
        return self.run(seconds)

    def to_stop(self, seconds: float = 1.5) -> list[Reading]:
        self.feed(True, False)
        return self.run(seconds)

    def happened(self, what: str) -> list[float]:
        return [h.time_s for h in self.world.happenings if h.what == what]


def rewired(**changes: Any) -> RigWiring:
    """The rig with other wiring of its first station or of itself."""
    station_keys = StationWiring.__dataclass_fields__
    of_station = {key: value for key, value in changes.items() if key in station_keys}
    of_rig = {key: value for key, value in changes.items() if key not in station_keys}
    station = replace(RIG.stations[0], **of_station)
    return replace(RIG, stations=(station,), **of_rig)


@pytest.fixture
def bench() -> Iterator[Callable[..., Bench]]:
    """Make benches; they are closed afterwards."""
    made: list[Bench] = []

    def make(*faults: str, **options: Any) -> Bench:
        if "rewire" in options:
            options["wiring"] = rewired(**options.pop("rewire"))
        made.append(Bench(*faults, **options))
        return made[-1]

    yield make
    for one in made:
        one.backend.close()
