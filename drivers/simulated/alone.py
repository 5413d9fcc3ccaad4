"""A unit on its own behind ideal contacts: for checks against other simulators."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from drivers import FeedWiring, RigWiring, SensorWiring, StationWiring

from .faults import AppliedFault, parse_fault
from .parameters import RigParameters, UnitParameters
from .world import Happening, World

_BATTERY_PIN, _IGNITION_PIN = 1, 2
_NO_OHM = 1e-9  # a shunt that is not there
_NO_FUSE_A = 1e7  # a fuse that never blows and has no resistance

FeedChange = tuple[float, bool, bool]


@dataclass(slots=True)
class Waveform:
    """What the unit did, at even times.  SI units, ``angle_deg`` of the output, 0 to 360."""

    time_s: list[float] = field(default_factory=list)
    current_a: list[float] = field(default_factory=list)
    voltage_v: list[float] = field(default_factory=list)
    motor_a: list[float] = field(default_factory=list)
    speed_rad_s: list[float] = field(default_factory=list)
    angle_deg: list[float] = field(default_factory=list)
    winding_c: list[float] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)


def run_alone(
    parameters: UnitParameters,
    changes: Iterable[FeedChange],
    until_s: float,
    *,
    supply_v: float = 12.0,
    path_ohm: float = 0.0,
    faults: Iterable[str | AppliedFault] = (),
    angle_deg: float = 0.0,
    load_nm: float = 0.0,
    step_s: float = 1e-4,
    seed: int = 1,
) -> Waveform:
    """Run a unit exactly as ``parameters`` say, on a source of ``supply_v`` behind ``path_ohm``.

    ``changes`` are (time, battery feed, ignition feed) in time order; the rig's contacts follow at
    once and without bounce, the unit's relay as its parameters say.  ``current_a`` and
    ``voltage_v`` are those of the battery feed at the unit, at each instant and not averaged.
    """
    world = _bare_world(parameters, supply_v, path_ohm, angle_deg, seed)
    station = world.stations["alone"]
    unit = station.unit
    assert unit is not None
    if load_nm:
        world.change(lambda _: unit.hang(load_nm))
    for fault in faults:
        world.apply_fault(parse_fault(fault) if isinstance(fault, str) else fault)
    found = Waveform()
    coming = list(changes)
    for number in range(round(until_s / step_s) + 1):
        time_s = number * step_s
        while coming and coming[0][0] <= time_s:
            at_s, battery, ignition = coming.pop(0)
            world.now_s = max(at_s, world.now_s)
            world.output_changed(_BATTERY_PIN, battery)
            world.output_changed(_IGNITION_PIN, ignition)
        world.now_s = time_s
        world.land()
        unit.warm(time_s)
        current_a, voltage_v = station.history.at(time_s)
        found.time_s.append(time_s)
        found.current_a.append(current_a)
        found.voltage_v.append(voltage_v)
        found.motor_a.append(unit.motor.current_a)
        found.speed_rad_s.append(unit.motor.speed_rad_s)
        found.angle_deg.append(unit.angle_deg)
        found.winding_c.append(unit.heat.winding_c)
    found.happenings.extend(world.happenings)
    return found


def _bare_world(
    parameters: UnitParameters, supply_v: float, path_ohm: float, angle_deg: float, seed: int
) -> World:
    station = StationWiring(
        "alone",
        FeedWiring(_BATTERY_PIN, operate_s=0.0, release_s=0.0),
        FeedWiring(_IGNITION_PIN, operate_s=0.0, release_s=0.0),
        SensorWiring(1, 0x40, _NO_OHM, 100.0),
    )
    rig = RigParameters(
        source_ohm=0.0, wiring_ohm=path_ohm, ignition_ohm=0.0, bounce_s=0.0, jitter_s=0.0
    )
    return World(
        RigWiring((station,), battery_v=supply_v, fuse_a=_NO_FUSE_A),
        seed=seed,
        parameters=parameters,
        rig=rig,
        spread=False,
        angle_deg=angle_deg,
    )
