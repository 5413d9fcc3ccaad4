"""What the current sensors' pins see of the world."""

from __future__ import annotations

from .parameters import SensorErrors
from .station import Station
from .world import World

_OVERDRIVEN_V = 1.0  # far beyond any range of the chip


class BatterySensing:
    """The shunt in a station's battery feed, for ``Ina219Chip``."""

    def __init__(self, world: World, station: Station, errors: SensorErrors) -> None:
        self._world = world
        self._station = station
        self._errors = errors
        self._history = station.history
        self._shunt_ohm = station.wiring.battery_sensor.shunt_ohm

    def mean_shunt_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage across the shunt (V)."""
        with self._world.lock:
            self._world.reach(t1_s)
            current_a = self._history.mean_a(t0_s, t1_s)
            zero_a = self._errors.offset_a
            if self._errors.fed_zero_a:
                zero_a += self._errors.fed_zero_a * self._history.mean_v(t0_s, t1_s) / 12.0
        clip_a = self._station.effects.sensor_clip_a
        if clip_a is not None and abs(current_a) > clip_a:
            return _OVERDRIVEN_V if current_a > 0.0 else -_OVERDRIVEN_V
        return (current_a / self._errors.gain + zero_a) * self._shunt_ohm

    def mean_bus_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage at the unit's battery feed (V)."""
        with self._world.lock:
            self._world.reach(t1_s)
            if self._station.effects.voltage_missing:
                return 0.0
            volts = self._history.mean_v(t0_s, t1_s)
        return volts / self._errors.voltage_gain + self._errors.voltage_offset_v


class IgnitionSensing:
    """The shunt in a station's ignition feed: it sees the current of the relay's coil."""

    def __init__(self, world: World, station: Station) -> None:
        self._world = world
        self._station = station
        sensor = station.wiring.ignition_sensor
        assert sensor is not None
        self._shunt_ohm = sensor.shunt_ohm

    def mean_shunt_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage across the shunt (V)."""
        unit = self._station.unit
        if unit is None:
            return 0.0
        with self._world.lock:
            self._world.reach(t1_s)
            return unit.relay.mean_coil_a(t0_s, t1_s) * self._shunt_ohm

    def mean_bus_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage at the ignition feed (V)."""
        unit = self._station.unit
        with self._world.lock:
            self._world.reach(t1_s)
            if unit is None or self._station.effects.ignition_open:
                return self._station.ignition_v()
            return unit.relay.mean_coil_v(t0_s, t1_s)
