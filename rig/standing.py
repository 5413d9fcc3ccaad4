"""How a station's calibration stands by the rig file and the records alone, nothing opened."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from drivers import SensorError
from drivers.ina219 import plan_sensor
from rig.bench.order import CHECK_MAX_A
from rig.quality.calibration import Calibration, Setup, Standing, newest_of, standing
from rig.settings import RigSettings, StationSettings

BUILT_IN = ("pi", "simulated")


def standing_by_file(
    settings: RigSettings,
    station: StationSettings,
    made: Sequence[Calibration],
    on: date,
    backend: str | None = None,
) -> Standing:
    """Return how ``station`` would stand in a run on a day.

    Which simulated rig it will be, and what a backend from outside calls itself, only its opening
    tells: these are taken to be as they were.
    """
    name = backend or settings.backend
    own = [m for m in made if (m.setup.rig, m.setup.station) == (settings.name, station.name)]
    simulated = name == "simulated"
    world = ""
    own_newest = newest_of(own)
    if name not in BUILT_IN and own_newest is not None:
        name, simulated = own_newest.setup.backend, own_newest.setup.simulated
    alike = newest_of([m for m in own if m.setup.simulated == simulated])
    if simulated and alike is not None:
        world = alike.setup.world
    wiring = station.battery_sensor.wiring(CHECK_MAX_A)
    try:
        range_v = plan_sensor(wiring).range_v
    except SensorError:
        range_v = 0.0  # told elsewhere; no calibration depends on it here
    setup = Setup(
        rig=settings.name,
        station=station.name,
        backend=name,
        simulated=simulated,
        bus=wiring.bus,
        address=wiring.address,
        shunt_ohm=wiring.shunt_ohm,
        range_v=range_v,
        world=world,
    )
    return standing(own, setup, on)
