"""One station of the simulated rig: feed relays, fuse, shunt, sensors' view and the unit."""

from __future__ import annotations

import random
from collections.abc import Callable

from drivers import StationWiring

from .agenda import Agenda
from .effects import Effects
from .fuse import Fuse
from .history import FeedHistory
from .parameters import RigParameters
from .relay import RigRelay
from .source import Rail
from .unit import Terminal, Unit

SWITCH_REACH_DEG = 8.0  # a jig switch is actuated so near its position (guess)
_STEADY_A = 0.1


class Station:
    """The feeds of one place, and the unit on it (None: empty)."""

    def __init__(
        self,
        wiring: StationWiring,
        fuse_a: float,
        rig: RigParameters,
        agenda: Agenda,
        rng: random.Random,
        changed: Callable[[float], None],
        note: Callable[[float, str], None],
    ) -> None:
        self.wiring = wiring
        self.name = wiring.name
        self.history = FeedHistory()
        self.effects = Effects()
        self.unit: Unit | None = None
        self.load_ohm: float | None = None  # a resistor in the unit's place
        self.fuse = Fuse(fuse_a)
        self.connected = False
        self.ignition_connected = False
        self.others_a = 0.0
        self._fuse_a = fuse_a
        self._rig = rig
        self._note = note
        self._heat_since_s = 0.0
        self._heat_seen = 0.0
        self._bus_v = 0.0
        self._bus_ohm = 0.0
        self._asked_a = 0.0
        self._afresh = False  # the coil is to be looked at again: a fault has come or gone

        def relay(operate_s: float, release_s: float) -> RigRelay:
            spread = 1.0 + rig.relay_spread * max(-2.0, min(2.0, rng.gauss(0.0, 1.0)))
            return RigRelay(
                agenda,
                rng,
                operate_s * spread,
                release_s * spread,
                changed,
                rig.bounce_s,
                rig.jitter_s,
            )

        battery, ignition = wiring.battery_feed, wiring.ignition_feed
        self.battery_relay = relay(battery.operate_s, battery.release_s)
        self.ignition_relay = relay(ignition.operate_s, ignition.release_s)

    # --- the circuit ----------------------------------------------------------------------

    @property
    def feed_a(self) -> float:
        """Current in the battery feed at the latest instant worked out (A)."""
        return self.history.currents[-1]

    @property
    def at_rest(self) -> bool:
        """Whether nothing moves and no motor current flows."""
        return self.unit is None or self.unit.at_rest

    @property
    def _is_direct(self) -> bool:
        """Whether the battery feed goes to the motor with leads of the rig's own."""
        return self.unit is not None and self.unit.direct

    def place(self, unit: Unit | None) -> None:
        """Put a unit on the station or take it off; to be followed by ``refresh``."""
        self.unit = unit
        self.load_ohm = None
        self._heat_seen = 0.0

    def set_effects(self, effects: Effects) -> None:
        """Take faults over; to be followed by ``refresh``."""
        self.effects = effects
        rating_a = self._fuse_a if effects.fuse_a is None else effects.fuse_a
        if rating_a != self.fuse.rating_a:
            self.fuse = Fuse(rating_a)
        welded = True if effects.feed_relay_welded else None
        self.battery_relay.stuck = False if effects.feed_relay_open else welded
        if self.unit is not None:
            self.unit.set_effects(effects)
            self._afresh = True

    def fit_fuse(self) -> None:
        """Put a new fuse of the same rating in."""
        self.fuse = Fuse(self.fuse.rating_a)

    def refresh(self, time_s: float, rail: Rail, others_a: float) -> None:
        """Connect everything as the contacts stand at ``time_s``.

        ``others_a`` (A) also flows from the rail, to the other stations and the coils.
        """
        e = self.effects
        self.warm(time_s)
        self.connected = rail.on and self.battery_relay.closed and not self.fuse.blown
        self.ignition_connected = rail.on and self.ignition_relay.closed
        self.others_a = others_a
        volts = rail.volts - rail.ohms * others_a
        before_tap = self._rig.wiring_ohm + self.fuse.ohm + e.holder_ohm
        before_tap += self.wiring.battery_sensor.shunt_ohm + rail.ohms
        terminal = Terminal(
            self.connected,
            volts,
            before_tap + (0.0 if self._is_direct else e.earth_ohm),
            before_tap,
            rail.limit_a - others_a,
            e.leak_a * max(volts, 0.0) / 12.0,
        )
        if self.unit is None:
            amps, at_tap_v = self._through_load(volts, before_tap, rail.limit_a - others_a)
            self.history.mark(time_s, amps, at_tap_v)
        else:
            self.unit.refresh(time_s, terminal)
        self._bus_ohm = before_tap - rail.ohms
        self._bus_v = volts
        self.drive_coil(time_s)

    def _through_load(self, volts: float, before_ohm: float, limit_a: float) -> tuple[float, float]:
        """Return current and voltage (A, V) at the feed with no unit fitted."""
        if not self.connected:
            return 0.0, 0.0
        if self.load_ohm is None:
            return 0.0, volts
        amps = min(volts / (before_ohm + self.load_ohm), limit_a)
        return amps, amps * self.load_ohm

    def drive_coil(self, time_s: float) -> None:
        """Bring the coil's voltage up to date with the battery's sag."""
        if self.unit is None:
            return
        bus_v = self.bus_v() if self.connected else self._bus_v
        relay = self.unit.relay
        coil_ohm = relay.parameters.coil_ohm
        volts = bus_v - (0.0 if self._is_direct else self.effects.earth_ohm * self.feed_a)
        volts *= coil_ohm / (coil_ohm + self._rig.ignition_ohm)
        reached = self.ignition_connected and not self.effects.ignition_open
        relay.drive(time_s, max(volts, 0.0), reached, self._afresh)
        self._afresh = False

    def bus_v(self) -> float:
        """Return the voltage (V) where the feeds branch off, while this one is connected."""
        return self.history.volts[-1] + self._bus_ohm * self.feed_a

    # --- upkeep ---------------------------------------------------------------------------

    def warm(self, time_s: float) -> bool:
        """Heat the fuse up to now; True if it has just melted."""
        past_s = time_s - self._heat_since_s
        if past_s <= 0.0:
            return False
        square = 0.0
        if self.unit is not None:
            motor = self.unit.motor
            if motor.drive.share:
                square = (motor.heat_a2s - self._heat_seen) / past_s
            self._heat_seen = motor.heat_a2s
        elif self.load_ohm is not None:
            square = self.feed_a * self.feed_a
        self._heat_since_s = time_s
        melted = self.fuse.carry(square, past_s)
        if melted:
            self._note(time_s, "fuse blown")
        return melted

    def steady(self) -> bool:
        """Whether the feed's current has hardly changed since this was asked last."""
        change_a, self._asked_a = abs(self.feed_a - self._asked_a), self.feed_a
        return change_a < _STEADY_A

    def upkeep(self, time_s: float) -> bool:
        """Do what is to be done every few milliseconds while running; True if a refresh is due."""
        melted = self.warm(time_s)
        if self.unit is None:
            return melted
        self.drive_coil(time_s)
        return self.unit.upkeep(time_s) or melted

    # --- what can be seen -----------------------------------------------------------------

    def coil_a(self, time_s: float) -> float:
        """Return the current (A) in the ignition feed."""
        return 0.0 if self.unit is None else self.unit.relay.coil_a(time_s)

    def ignition_v(self) -> float:
        """Return the voltage (V) of the ignition feed without a unit."""
        return self._bus_v if self.ignition_connected else 0.0

    def switch_actuated(self, position_deg: float) -> bool:
        """Whether the jig switch at ``position_deg`` is actuated, by the lever or by a fault."""
        if self.effects.switches_both or self.effects.switches_dead:
            return self.effects.switches_both
        if self.unit is None:
            return False
        off = (self.unit.angle_deg - position_deg + 180.0) % 360.0 - 180.0
        return abs(off) <= SWITCH_REACH_DEG
