"""A simulated bench that is watched: what truly happened, told apart from what was measured.

`watched_backend` is a backend like any other (``witness:watched_backend`` in an order).  Its world
notes every change of its circuit and keeps the whole true current and voltage of the feed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from math import degrees
from unittest.mock import patch

import numpy as np

from drivers import BackendOptions, RigWiring
from drivers.simulated import backend as simulated
from drivers.simulated import history
from drivers.simulated.sensing import BatterySensing

_NEVER = 10**9


@dataclass(frozen=True)
class RigErrors:
    """By how much the rig differs from what its file declares: s, and parts of the reading."""

    operate_s: float = 0.0
    release_s: float = 0.0
    current_gain: float = 0.0
    voltage_gain: float = 0.0


@dataclass(frozen=True, slots=True)
class State:
    """The circuit from ``time_s`` (s, world time) on.

    ``connected`` the unit's battery terminal to the supply, ``ignition`` its coil; ``fed`` tells
    that the feed's current flows through the motor, ``held`` that the motor stands still;
    ``travel_deg`` how far the output has turned since the beginning, ``angle_deg`` where it is.
    """

    time_s: float
    connected: bool
    ignition: bool
    fed: bool
    held: bool
    travel_deg: float
    angle_deg: float


@dataclass
class Witness:
    """What happened to the first station's unit."""

    states: list[State] = field(default_factory=list)
    world: object = None
    _travel_deg: float = 0.0

    def watch(self, world) -> None:
        """Note every connection that ``world`` makes from now on."""
        self.world = world
        station = next(iter(world.stations.values()))
        connect = station.refresh
        unit = station.unit
        take = unit._take_travel

        def take_travel():
            # The motor counts from nought each time the unit takes its travel over, be it for a
            # connection or for a fault that sets in.
            self._travel_deg += degrees(unit.motor.travel_rad) / unit.parameters.gear
            take()

        def note(time_s):
            drive = unit.motor.drive
            # An arc that an opening contact draws is no feed any more; it alone has no current as
            # its floor.
            arcs = drive.low_a == 0.0
            self.states.append(
                State(
                    time_s,
                    station.connected,
                    station.ignition_connected,
                    drive.share > 0.0 and not arcs,
                    drive.held,
                    self._travel_deg,
                    unit.angle_deg,
                )
            )

        def refresh(time_s, rail, others_a):
            connect(time_s, rail, others_a)
            note(time_s)

        unit._take_travel = take_travel
        note(world.now_s)
        station.refresh = refresh

    def waveform(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return times (s), currents (A) and voltages (V) of the feed, exact at every node."""
        kept = next(iter(self.world.stations.values())).history
        return np.array(kept.times), np.array(kept.currents), np.array(kept.volts)


class _Watching:
    """What the next backend is to be like, and who watches it."""

    errors = RigErrors()
    witness: Witness | None = None


def watched_backend(wiring: RigWiring, options: BackendOptions) -> simulated.SimulatedBackend:
    """Return a simulated bench whose rig errs as told and whose world is watched."""
    errors, witness = _Watching.errors, _Watching.witness

    class Miscalibrated(BatterySensing):
        def mean_shunt_v(self, t0_s, t1_s):
            return super().mean_shunt_v(t0_s, t1_s) * (1.0 + errors.current_gain)

        def mean_bus_v(self, t0_s, t1_s):
            return super().mean_bus_v(t0_s, t1_s) * (1.0 + errors.voltage_gain)

    with patch.object(simulated, "BatterySensing", Miscalibrated):
        backend = simulated.SimulatedBackend(_erring(wiring, errors), options)
    witness.watch(backend.world)
    return backend


watched_backend.keeps_own_time = True


@contextmanager
def witnessed(errors: RigErrors = RigErrors()) -> Iterator[Witness]:
    """Have the next backend watched by the witness that this yields, and its past kept whole."""
    witness = Witness()
    _Watching.errors, _Watching.witness = errors, witness
    with patch.object(history, "KEEP", _NEVER):
        yield witness


def _erring(wiring: RigWiring, errors: RigErrors) -> RigWiring:
    """Return the wiring as it really is: relays quicker or slower than declared."""

    def off(feed):
        return replace(
            feed,
            operate_s=max(feed.operate_s + errors.operate_s, 0.0005),
            release_s=max(feed.release_s + errors.release_s, 0.0005),
        )

    stations = tuple(
        replace(s, battery_feed=off(s.battery_feed), ignition_feed=off(s.ignition_feed))
        for s in wiring.stations
    )
    return replace(wiring, stations=stations)
