"""The simulated rig and its units in one time.

World time (``now_s``) is moved by the backend's clock; what happened up to then is worked out by
the stepper when somebody looks or a pin changes.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import NamedTuple

from drivers import RigWiring

from .agenda import Agenda
from .effects import Effects
from .faults import AppliedFault, combine
from .master import Master
from .parameters import RigParameters, UnitParameters, spread_unit
from .relay import UnitRelay
from .source import Rail, SimulatedSupply
from .station import Station
from .stepper import Stepper
from .terminals import Terminals
from .unit import Unit

_NOTICED_A = 0.01  # change of what the stations share at which it is taken over
_REMEMBERED = 20_000  # happenings kept


class Happening(NamedTuple):
    """What truly happened, for whoever checks a measurement: never seen by the drivers."""

    time_s: float
    station: str
    what: str


class World:
    """The rig of ``wiring`` with one unit on each station named in ``fitted`` (None: the first).

    ``seed`` decides every spread and every random instant; ``spread`` False leaves the units at
    ``parameters`` and the rig's relays at their declared times.  ``battery_v`` None: as wired.
    ``angle_deg`` is where the units stand at first, None: parked at stop.  ``noise_seed`` has the
    same rig and units behave by another chance (None: by ``seed``).
    """

    def __init__(
        self,
        wiring: RigWiring,
        *,
        seed: int = 1,
        parameters: UnitParameters | None = None,
        rig: RigParameters | None = None,
        spread: bool = True,
        fitted: tuple[str, ...] | None = None,
        battery_v: float | None = None,
        angle_deg: float | None = None,
        noise_seed: int | None = None,
    ) -> None:
        self.wiring = wiring
        self.seed = seed
        self.now_s = 0.0
        self.catch_up: Callable[[], None] = _nothing
        self.happenings: deque[Happening] = deque(maxlen=_REMEMBERED)
        self.faults: dict[str, AppliedFault] = {}
        self.listeners: list[Callable[[Effects], None]] = []
        self.watchers: list[Callable[[float], None]] = []  # told when contacts may have changed
        self.strikes: list[Callable[[AppliedFault], None]] = []  # told of what happens once
        self.effects = Effects()
        self._agenda = Agenda()
        self._stepper = Stepper(self._agenda, self._connect, self._shared_drifted)
        self._changed = self._stepper.changed
        self.reach = self._stepper.reach
        self.lock = self._stepper.lock
        self._angle_deg = angle_deg
        self.nominal = parameters or UnitParameters()
        self._spread = spread
        self._rig = rig or RigParameters()
        if not spread:
            self._rig = replace(self._rig, relay_spread=0.0, jitter_s=0.0)
        self._rng = random.Random(seed)
        self._battery_v = wiring.battery_v if battery_v is None else battery_v
        self.supply = SimulatedSupply(self.change, self._reading) if wiring.supply else None
        self.master = Master(
            wiring.dead_man, self._rig, self._agenda, random.Random(seed * 7 + 1), self._changed
        )
        chances = [random.Random(seed * 7 + 2 + n) for n in range(len(wiring.stations))]
        self.stations = {
            station.name: Station(
                station,
                wiring.fuse_a,
                self._rig,
                self._agenda,
                chance,
                self._changed,
                self._teller(station.name),
            )
            for station, chance in zip(wiring.stations, chances, strict=True)
        }
        if noise_seed is not None:
            for number, chance in enumerate(chances):  # how the relays differ is drawn by now
                chance.seed(f"{noise_seed} station {number}")
        first = tuple(self.stations)[:1]
        for name in first if fitted is None else fitted:
            self._fit(self.stations[name], "")
        self._terminals = Terminals(self)
        self.change(_nothing_at)

    # --- units ----------------------------------------------------------------------------

    def _fit(self, station: Station, serial: str) -> None:
        rng = random.Random(f"{self.seed} {serial}") if serial else self._rng
        parameters = spread_unit(self.nominal, rng) if self._spread else self.nominal
        parked_deg = max(parameters.stop_track_deg[1] - 360.0, 0.0)
        station.place(
            Unit(
                parameters,
                self._agenda,
                random.Random(rng.random()),
                station.history,
                self._changed,
                self._teller(station.name),
                parked_deg if self._angle_deg is None else self._angle_deg,
                self._stepper.t_s,
            )
        )
        station.set_effects(self.effects_on(station.name))

    def fit_unit(self, station: str, serial: str = "") -> None:
        """Put another unit of the type, with today's faults, on a station.

        The same ``serial`` brings the same unit back; without one it is a new one each time.
        """
        self.change(lambda _: self._fit(self.stations[station], serial))

    def known_good_relay(self) -> UnitRelay:
        """Return a relay of the type without faults, to be fitted in place of a unit's own."""
        return UnitRelay(self._agenda, self._rng, self.nominal.relay, self._changed)

    def remove_unit(self, station: str) -> None:
        """Take the unit off a station."""
        self.change(lambda _: self.stations[station].place(None))

    def _teller(self, station: str) -> Callable[[float, str], None]:
        return lambda time_s, what: self.happenings.append(Happening(time_s, station, what))

    # --- faults ---------------------------------------------------------------------------

    def apply_fault(self, fault: AppliedFault) -> None:
        """Let a fault set in, now or at its own time if that is still to come.

        It is there on its station, or on every one, and passes by itself if it lasts for a time.
        """
        with self.lock:
            self.catch_up()
            if fault.after_s > self.now_s:
                self._agenda.at(fault.after_s, lambda at_s: self._add_fault(fault, at_s))
            else:
                self.change(lambda at_s: self._add_fault(fault, at_s))

    def effects_on(self, station: str) -> Effects:
        """Return the effects of what is wrong on one station, the whole rig's included."""
        return combine(fault for fault in self.faults.values() if fault.is_on(station))

    def _add_fault(self, fault: AppliedFault, at_s: float) -> None:
        if fault.fault.once:
            for strike in self.strikes:
                strike(fault)
            return
        self.faults[fault.name] = fault
        self._take_faults(at_s)
        if fault.lasts_s < inf:
            self._agenda.at(at_s + fault.lasts_s, lambda at_s: self._pass(fault, at_s))

    def _pass(self, fault: AppliedFault, at_s: float) -> None:
        if self.faults.get(fault.name) is fault:
            del self.faults[fault.name]
            self._take_faults(at_s)

    def clear_fault(self, name: str) -> None:
        """Let a fault be gone, now; ValueError if it is not there."""
        if name not in self.faults:
            there = ", ".join(self.faults) or "none"
            raise ValueError(f"The fault '{name}' is not there to be cleared. Present: {there}.")

        def clear(at_s: float) -> None:
            del self.faults[name]
            self._take_faults(at_s)

        self.change(clear)

    def _take_faults(self, at_s: float) -> None:
        before, self.effects = self.effects, combine(self.faults.values())
        if self.effects.stop_pressed != before.stop_pressed:
            self.master.press(self.effects.stop_pressed, at_s)
        for station in self.stations.values():
            station.set_effects(self.effects_on(station.name))
        for listener in self.listeners:
            listener(self.effects)
        self._stepper.changed()

    # --- the circuit ----------------------------------------------------------------------

    def _rail(self) -> Rail:
        extra = self.effects.source_ohm
        supply = self.supply
        there = self.master.closed and not self.effects.supply_lost
        if supply is None:
            return Rail(self._battery_v, self._rig.source_ohm + extra, inf, there)
        on = there and supply.output_on
        return Rail(supply.set_v, self._rig.supply_ohm + extra, supply.limit_a, on)

    def _connect(self, time_s: float) -> list[Station]:
        """Work out how everything is connected; return where something moves or draws current."""
        rail = self._rail()
        stations = self.stations.values()
        for station in stations:  # one after the other, each with the latest of the others
            station.refresh(time_s, rail, self._others_a(station, time_s))
        for watch in self.watchers:
            watch(time_s)
        return [station for station in stations if not station.at_rest]

    def _others_a(self, station: Station, time_s: float) -> float:
        """Return what flows from the rail besides a station's battery feed (A)."""
        stations = self.stations.values()
        feeds_a = sum(other.feed_a for other in stations if other is not station)
        return feeds_a + sum(other.coil_a(time_s) for other in stations)

    def _shared_drifted(self, time_s: float) -> bool:
        stations = self.stations.values()
        if self.supply is None and len(stations) == 1:
            return False  # a coil's current makes no difference to a battery
        return any(
            abs(self._others_a(station, time_s) - station.others_a) > _NOTICED_A
            for station in stations
        )

    # --- time -----------------------------------------------------------------------------

    def bring_up(self) -> None:
        """Work the world out up to now, or a little further."""
        self.catch_up()
        self.reach(self.now_s)

    def let_happen(self) -> None:
        """Let happen what is due by now; what only moves may lag behind."""
        self.catch_up()
        if self._agenda.next_s() <= self.now_s:
            self.reach(self.now_s)

    def land(self) -> None:
        """Work the world out up to now, exactly."""
        self._stepper.land(self.now_s)

    def change(self, action: Callable[[float], None]) -> None:
        """Let ``action(now)`` alter the circuit at this instant."""
        with self.lock:
            self.catch_up()
            self.land()
            action(self._stepper.t_s)
            self._stepper.changed()
            self._stepper.settle()

    # --- pins (what drivers.simulated.pins asks of a world) -------------------------------

    def sync(self) -> None:
        """Bring the world up to the present in real time; nothing to do in virtual time."""
        self.catch_up()

    def output_changed(self, pin: int, level: bool) -> None:
        """Take note that an output now drives ``level``."""
        self._terminals.drive(pin, level)

    def output_released(self, pin: int) -> None:
        """Take note that a pin drives no more: an external resistor pulls it to off."""
        self._terminals.release(pin)

    def input_level(self, pin: int) -> bool:
        """Return the level of a pin that nothing on the Pi drives."""
        return self._terminals.level(pin)

    # --- what can be measured -------------------------------------------------------------

    def _reading(self) -> tuple[float, float]:
        """Voltage and current at the source's terminals now (V, A)."""
        with self.lock:
            self.catch_up()
            now = self.now_s
            self.reach(now)
            rail = self._rail()
            amps = sum(s.history.at(now)[0] + s.coil_a(now) for s in self.stations.values())
            volts = rail.volts - self._rig.supply_ohm * amps
            for station in self.stations.values():
                if station.connected and amps >= rail.limit_a:
                    volts = station.bus_v() + self.effects.source_ohm * amps
            on = self.supply is not None and self.supply.output_on
            return (max(volts, 0.0), amps) if on else (0.0, 0.0)


def _nothing() -> None:
    pass


def _nothing_at(_: float) -> None:
    pass
