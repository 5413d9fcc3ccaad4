"""Reading a current sensor in a small world, as the control loop does."""

from __future__ import annotations

from typing import Any

from drivers import Reading, SensorWiring
from drivers.current import CurrentSensor

SHUNT_OHM = 0.005


def wiring(**changes: Any) -> SensorWiring:
    """Return the wiring of a sensor with ``changes``."""
    values: dict[str, Any] = {"bus": 1, "address": 0x40, "shunt_ohm": SHUNT_OHM, "max_a": 20.0}
    return SensorWiring(**(values | changes))


def make(bench: Any, **changes: Any) -> CurrentSensor:
    """Set a sensor up on the bus that drivers see of ``bench``."""
    return CurrentSensor(wiring(**changes), bench.driver_bus, bench)


def config_of(bench: Any) -> int:
    """Return the chip's configuration, without a transfer."""
    bench.chip.pointer = 0
    word: int = bench.chip.read()
    return word


def take(bench: Any, sensor: CurrentSensor, count: int, hz: float = 1000.0) -> list[Reading]:
    """Read at a steady rate, as the control loop does."""
    readings = []
    next_s = bench.time_s
    for _ in range(count):
        next_s += 1 / hz
        bench.sleep_until(next_s)
        readings.append(sensor.read())
    return readings
