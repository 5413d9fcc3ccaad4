"""A station's wiring with its calibration in place of the rig file's gain and offset."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from drivers import Backend, SensorWiring, StationWiring
from drivers.ina219 import plan_sensor
from rig.bench.seams import Keeper
from rig.quality.calibration import Correction, Setup, Standing, standing

NO_CORRECTION_U = 0.005
"""Relative standard uncertainty of a voltage nobody calibrated: the 0.5 % that TI SBOS448G gives
as the largest bus error at room temperature, taken as a standard uncertainty to be careful."""


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
    differs from range to range (TI SBOS448G), so the rig file's offset and its uncertainty stay.
    """
    current, made = standing.current, standing.calibration
    if current is None or made is None:
        return station
    sensor = station.battery_sensor
    gained = replace(sensor, gain=current.gain, gain_u_rel=current.gain_u_rel)
    offset_u_a = current.gain * current.offset_u
    read = replace(gained, offset_a=current.offset, offset_u_a=offset_u_a)
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


def declared(sensor: SensorWiring) -> Correction:
    """Return the rig file's own correction of the current, with the uncertainties it declares."""
    return Correction(
        gain=sensor.gain,
        offset=sensor.offset_a,
        gain_u=sensor.gain * sensor.gain_u_rel,
        offset_u=sensor.offset_u_a,
    )


UNCALIBRATED_VOLTAGE = Correction(gain_u=NO_CORRECTION_U)
