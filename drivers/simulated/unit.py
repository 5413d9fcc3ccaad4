"""A unit under test: motor, gear, cam and relay, and how they are connected at each instant."""

from __future__ import annotations

import random
from collections.abc import Callable
from math import inf, pi
from typing import NamedTuple

from .agenda import Agenda
from .brush import Brush
from .cam import ahead_deg, tracks
from .effects import Effects
from .heat import Heat
from .history import FeedHistory
from .load import Load
from .motor import Constants, Drive, Motor
from .parameters import COPPER_PER_K, UnitParameters
from .relay import UnitRelay

ARC_V = 20.0  # an opening contact's arc: above any supply, so that it dies in a fraction of a ms
_NO_ARC_A = 0.02  # currents that part without one
_AT_REST_A = 0.005  # a braking current this small is taken for none
# A supply in constant current is a source of this much behind its limit: 12 mA of 12 V.
CONSTANT_CURRENT_OHM = 1000.0
DEAD_SPOT_DEG = 12.0
_DRIFT = 1e-4  # relative change of the resistance at which it is taken over
_DRIFT_NM = 3e-4  # change of the load at the rotor at which it is taken over: 1 % of the friction
_SAME_DEG = 1e-6


class Terminal(NamedTuple):
    """What the unit sees at its battery terminal.  SI units.

    ``volts`` behind ``ohms``, of which ``tap_ohm`` lie before the sensor; up to ``limit_a``,
    from there on constant current.  ``leak_a`` flows beside the motor whenever connected.
    """

    connected: bool = False
    volts: float = 0.0
    ohms: float = 0.0
    tap_ohm: float = 0.0
    limit_a: float = inf
    leak_a: float = 0.0


class Unit:
    """A unit at ``angle_deg`` (0 = stop, 180 = run).  ``note`` is told what happens to it."""

    def __init__(
        self,
        parameters: UnitParameters,
        agenda: Agenda,
        rng: random.Random,
        history: FeedHistory,
        changed: Callable[[float], None],
        note: Callable[[float, str], None],
        angle_deg: float = 0.0,
        time_s: float = 0.0,
    ) -> None:
        self.parameters = parameters
        self.effects = Effects()
        self.load_nm = 0.0
        self.hooked = True  # its cable to the lever
        self.direct = False  # the feed goes to the motor's own terminals, past relay and cam
        self.own_relay = UnitRelay(agenda, rng, parameters.relay, changed)
        self.relay = self.own_relay
        p = parameters
        self.heat = Heat(
            p.winding_heat_j_per_k,
            p.case_heat_j_per_k,
            p.winding_case_k_per_w,
            p.case_air_k_per_w,
            p.ambient_c,
        )
        self.motor = Motor(_constants(parameters, self.effects), history)
        self._note = note
        self._angle_deg = angle_deg % 360.0
        self._lock_deg: float | None = None
        self._play_from_deg: float | None = None
        self._brush = Brush(agenda, rng, changed, lambda: self.motor.speed_rad_s > 0.0)
        self._feeding = False  # current comes (or came, and still arcs) through the feed
        self._track_closed = False
        self._edge_deg: tuple[float, float] = (inf, 0.0)  # how far ahead, and where
        self._deg_per_rad = 180.0 / pi / parameters.gear
        self._used_ohm = self.resistance_ohm
        self._heat_since_s = time_s
        self._heat_seen = 0.0
        self.set_effects(self.effects)

    # --- what it is like ------------------------------------------------------------------

    @property
    def way(self) -> int:
        """+1 turning forward, -1 with its leads crossed."""
        return -1 if self.effects.reversed and not self.direct else 1

    @property
    def angle_deg(self) -> float:
        """Output angle, 0 to 360 degrees."""
        return (self._angle_deg + self.way * self.motor.travel_rad * self._deg_per_rad) % 360.0

    @property
    def resistance_ohm(self) -> float:
        """Winding and brushes at the present temperature (ohm)."""
        winding = self.parameters.winding_ohm * (1.0 - self.effects.turns_lost)
        warm = 1.0 + COPPER_PER_K * (self.heat.winding_c - 20.0)
        return winding * warm + self.effects.brush_ohm

    @property
    def _leads_ohm(self) -> float:
        """What lies between feed and winding inside the unit (ohm): its leads and its relay."""
        return 0.0 if self.direct else self.parameters.loom_ohm + self.relay.contact_ohm

    @property
    def at_rest(self) -> bool:
        """Whether nothing moves and no motor current flows."""
        drive = self.motor.drive
        return drive.open_circuit and drive.held

    def set_effects(self, effects: Effects) -> None:
        """Take other effects over; to be followed by ``refresh``."""
        self._take_travel()
        if effects.reversed != self.effects.reversed:
            self.motor.speed_rad_s = 0.0  # nobody crosses the leads of a turning motor
        self.effects = effects
        p, e = self.parameters, effects
        if e.play_deg is None or not self.hooked:
            self._play_from_deg = None
        elif self._play_from_deg is None:
            self._play_from_deg = self._angle_deg
        dead = e.dead_spot_deg
        half = 0.5 * DEAD_SPOT_DEG
        self._tracks = tracks(
            p.run_track_deg,
            p.stop_track_deg,
            brake_gap_deg=p.brake_gap_deg if p.brake_at_park else None,
            ends_early_deg=e.track_ends_deg,
            dead=None if dead is None else (dead - half, dead + half),
            welded=e.tracks_welded,
        )
        cable = 1.0 if self.hooked and not e.cable_broken else 0.0
        self._load = Load(
            p.dry_nm * e.friction_factor,
            p.gear,
            cable * (p.cable_nm + e.extra_torque_nm) + self.load_nm,
            cable * e.binding_nm,
            cable * e.spring_nm,
            e.binding_deg,
            e.binding_width_deg,
            e.tooth_nm,
            e.tooth_deg,
        )
        self.motor.set_constants(_constants(p, e))
        self._brush.rate_per_s = e.brush_dropouts_per_s
        relay = self.own_relay
        relay.dead, relay.coil_open = e.relay_dead, e.relay_coil_open
        relay.welded, relay.extra_ohm = e.relay_welded, e.relay_ohm
        relay.pull_in_v = p.relay.pull_in_v if e.relay_pull_in_v is None else e.relay_pull_in_v

    def hang(self, load_nm: float) -> None:
        """Hang a load (N m) at the output."""
        self.load_nm = load_nm
        self.set_effects(self.effects)

    def hook(self, hooked: bool) -> None:
        """Hook the cable to the lever, or off it; to be followed by ``refresh``."""
        self.hooked = hooked
        self.set_effects(self.effects)

    def connect_motor(self, direct: bool) -> None:
        """Feed the motor at its own terminals, or by relay and cam; ``refresh`` is to follow."""
        self._take_travel()
        self.motor.speed_rad_s = 0.0  # nobody changes leads at a turning motor
        self.direct = direct

    def lock(self, locked: bool) -> None:
        """Lock the lever where it is, or free it."""
        self._lock_deg = self.angle_deg if locked else None

    # --- connecting -----------------------------------------------------------------------

    def refresh(self, time_s: float, terminal: Terminal) -> None:
        """Work out how everything is connected now, and drive the motor so."""
        self.warm(time_s)
        self._take_travel()
        motor, way = self.motor, self.way
        self._used_ohm = self.resistance_ohm
        stop_deg = self._stop_ahead_deg()
        if stop_deg == 0.0 or motor.speed_rad_s < 0.0:
            motor.speed_rad_s = 0.0
        drive = self._connect(terminal)
        torque = self._load.torque_nm(self._angle_deg, way)
        start_a = torque / motor.constants.constant_vs
        blocked = stop_deg == 0.0
        held = motor.speed_rad_s == 0.0 and (blocked or motor.current_a <= start_a)
        if held and not blocked:
            drive = drive._replace(high_a=min(drive.high_a, start_a))
        edge_deg = self._tracks[self.relay.made].next_edge_deg(self._angle_deg, way)
        if not blocked:
            edge_deg = min(edge_deg, stop_deg)
        self._edge_deg = (edge_deg, (self._angle_deg + way * edge_deg) % 360.0)
        self._tell(time_s, held)
        motor.set_drive(
            drive._replace(held=held, torque_nm=torque, travel_rad=edge_deg / self._deg_per_rad),
            time_s,
        )
        self._brush.watch(time_s)

    def _connect(self, terminal: Terminal) -> Drive:
        """Return the electrical side of the drive."""
        motor = self.motor
        track = self._tracks[self.relay.made]
        whole = not self.effects.winding_open and not self._brush.open
        sound = whole and self.relay.touching and not self.direct
        reached = self.direct or not self.effects.battery_open
        by_track = sound and track.conducts(self._angle_deg, self.way)
        conducts = whole if self.direct else by_track and reached
        leak_a = terminal.leak_a if terminal.connected and reached else 0.0
        tap_v = terminal.volts - leak_a * terminal.tap_ohm if terminal.connected else 0.0
        if conducts and terminal.connected:
            self._feeding = True
            return self._fed(terminal, tap_v, leak_a)
        ohms = self.resistance_ohm + self._leads_ohm
        if sound and track.brakes(self._angle_deg, self.way):
            self._feeding = False
            if motor.speed_rad_s > 0.0 or abs(motor.current_a) > _AT_REST_A:
                return Drive(False, ohms=ohms, leak_a=leak_a, tap_v=tap_v)
        elif self._feeding and motor.current_a > _NO_ARC_A:
            return Drive(
                False,
                volts=terminal.volts - ARC_V,
                ohms=ohms + terminal.ohms,
                share=1.0,
                leak_a=leak_a,
                tap_v=tap_v,
                tap_ohm=terminal.tap_ohm,
                low_a=0.0,
            )
        self._feeding = False
        motor.current_a = 0.0
        # Turning on, it is a generator: with the feed open that is what the sensor's tap shows.
        shows = conducts and not terminal.connected
        emf_vs = motor.constants.constant_vs if shows else 0.0
        return Drive(True, leak_a=leak_a, tap_v=tap_v, tap_vs=emf_vs)

    def _fed(self, terminal: Terminal, tap_v: float, leak_a: float) -> Drive:
        motor = self.motor
        ohms = self.resistance_ohm + self._leads_ohm + terminal.ohms
        limit_a = max(terminal.limit_a - leak_a, 0.0)
        if motor.current_a >= limit_a:
            emf_v = motor.constants.constant_vs * motor.speed_rad_s
            over_a = (tap_v - emf_v - ohms * limit_a) / (ohms + CONSTANT_CURRENT_OHM)
            if over_a >= 0.0:  # the supply settles in no time, and what hangs on it follows
                motor.current_a = limit_a + over_a
                return Drive(
                    False,
                    volts=tap_v + CONSTANT_CURRENT_OHM * limit_a,
                    ohms=ohms + CONSTANT_CURRENT_OHM,
                    share=1.0,
                    leak_a=leak_a,
                    tap_v=tap_v + CONSTANT_CURRENT_OHM * limit_a,
                    tap_ohm=terminal.tap_ohm + CONSTANT_CURRENT_OHM,
                    low_a=limit_a,
                )
            motor.current_a = limit_a
        return Drive(
            False,
            volts=tap_v,
            ohms=ohms,
            share=1.0,
            leak_a=leak_a,
            tap_v=tap_v,
            tap_ohm=terminal.tap_ohm,
            high_a=limit_a,
        )

    def _take_travel(self) -> None:
        """Make the travel since the last refresh part of the angle."""
        motor = self.motor
        turned = motor.travel_rad * self._deg_per_rad
        ahead, target = self._edge_deg
        if turned >= ahead - _SAME_DEG:
            self._angle_deg = target  # exactly on the edge: no second crossing by rounding
        else:
            self._angle_deg = (self._angle_deg + self.way * turned) % 360.0
        self._edge_deg = (inf, 0.0)
        motor.travel_rad = 0.0

    def _stop_ahead_deg(self) -> float:
        """Return how far ahead the nearest stop is: 0 = the output stands against it."""
        stops = [self.effects.jam_deg, self._lock_deg]
        if self._play_from_deg is not None and self.effects.play_deg is not None:
            stops.append(self._play_from_deg + self.way * self.effects.play_deg)
        nearest = inf
        for stop in stops:
            if stop is not None:
                distance = ahead_deg(self._angle_deg, stop, self.way)
                nearest = min(nearest, 0.0 if abs(distance - 360.0) <= _SAME_DEG else distance)
        return nearest

    def _tell(self, time_s: float, held: bool) -> None:
        """Note what has changed, for whoever checks a measurement."""
        if held != self.motor.drive.held:
            self._note(time_s, "stopped" if held else "moving")
        closed = self._tracks[self.relay.made].conducts(self._angle_deg, self.way)
        if closed != self._track_closed:
            self._track_closed = closed
            self._note(time_s, "track closed" if closed else "track opened")

    # --- heat -------------------------------------------------------------------------------

    def warm(self, time_s: float) -> None:
        """Heat or cool the winding up to now."""
        past_s = time_s - self._heat_since_s
        if past_s <= 0.0:
            return
        square = (self.motor.heat_a2s - self._heat_seen) / past_s
        self.heat.take(square * self.resistance_ohm, past_s)
        self._heat_since_s, self._heat_seen = time_s, self.motor.heat_a2s

    def upkeep(self, time_s: float) -> bool:
        """Follow the drift of resistance and load; True if a ``refresh`` is due."""
        self.warm(time_s)
        drive = self.motor.drive
        if drive.held and not drive.share and abs(self.motor.current_a) <= _AT_REST_A:
            return not drive.open_circuit  # the braking current has died
        torque = drive.torque_nm
        if self._load.varies:
            torque = self._load.torque_nm(self.angle_deg, self.way)
        ohm = self.resistance_ohm
        change = ohm - self._used_ohm
        if abs(change) > _DRIFT * ohm or abs(torque - drive.torque_nm) > _DRIFT_NM:
            self._used_ohm = ohm
            drifted = drive._replace(ohms=drive.ohms + change, torque_nm=torque)
            self.motor.set_drive(drifted, time_s)
        return False


def _constants(p: UnitParameters, e: Effects) -> Constants:
    left = 1.0 - e.turns_lost
    # The shorted turns are a generator on itself: a drag in proportion to the speed.
    drag = e.turns_lost * p.constant_vs**2 / p.winding_ohm
    return Constants(
        p.inductance_h * left * left,
        p.constant_vs * left,
        p.rotor_kgm2,
        p.viscous_nms + drag,
    )
