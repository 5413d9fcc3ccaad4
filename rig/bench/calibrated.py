"""A station's wiring with its calibration in place of the rig file's gain and offset."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from drivers import Backend, StationWiring
from drivers.ina219 import plan_sensor
from rig.bench.seams import Keeper
from rig.quality.calibration import Setup, Standing, standing


def setup_of(rig: str, station: StationWiring, backend: Backend) -> Setup:
    """Return what a calibration of ``station`` would be made on; SensorError if it cannot read."""
    sensor = station.battery_sensor
    return Setup(
        rig=rig,
        station=station.name,
        backend=backend.name,
        simulated=backend.simulated,
        bus=sensor.bus,
        address=sensor.address,
        shunt_ohm=sensor.shunt_ohm,
        range_v=plan_sensor(sensor).range_v,
        world=backend.facts().get("sensors", ""),
    )


def standing_of(
    rig: str, station: StationWiring, backend: Backend, keeper: Keeper, now: datetime
) -> Standing:
    """Return how ``station`` stands on the day of ``now`` here, by what the record holds."""
    made = keeper.calibrations(rig, station.name)
    return standing(made, setup_of(rig, station, backend), now.astimezone().date())


def calibrated(station: StationWiring, standing: Standing) -> StationWiring:
    """Return ``station`` as it reads by its calibration; unchanged if none applies.

    SensorError if no range holds the largest current any more.

    In another range of the sensor than it was made in only the gain holds: the chip's offset
    differs from range to range (TI SBOS448G), so the rig file's offset stays.
    """
    current, made = standing.current, standing.calibration
    if current is None or made is None:
        return station
    sensor = station.battery_sensor
    gained = replace(sensor, gain=current.gain)
    read = replace(gained, offset_a=current.offset)
    if plan_sensor(read).range_v != made.setup.range_v:
        read = gained
    voltage = standing.voltage
    if voltage is not None:
        read = replace(read, voltage_gain=voltage.gain, voltage_offset_v=voltage.offset)
    return replace(station, battery_sensor=read)


def nominal(station: StationWiring) -> StationWiring:
    """Return ``station`` as it reads without any correction."""
    sensor = replace(
        station.battery_sensor, gain=1.0, offset_a=0.0, voltage_gain=1.0, voltage_offset_v=0.0
    )
    return replace(station, battery_sensor=sensor)
