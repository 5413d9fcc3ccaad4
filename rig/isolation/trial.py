"""Guided tests on a simulated unit, without drivers and loop: from a case to features, fast.

The world's own exact waveform is averaged, held, rounded and made noisy as an INA219 behind its
driver does it.  The sequences are those of the bench's guided steps, and its guard's rules for
stall, run-on and over-current are applied every 10 ms.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from math import inf

import numpy as np

from drivers import FeedWiring, RigWiring, SensorWiring, StationWiring
from drivers.simulated import history
from drivers.simulated.faults import CATALOGUE, AppliedFault
from drivers.simulated.parameters import RigParameters, UnitParameters
from drivers.simulated.world import World
from rig.analysis.faults.guided import TESTS
from rig.analysis.model import Accuracy, Limits, UnitType, VoltageLimit
from rig.analysis.trace import FloatArray, Trace
from rig.isolation.drawn import Case

FEED = FeedWiring(1), FeedWiring(2)
SENSOR = SensorWiring(1, 0x40, 0.005, 33.0)
WIRING = RigWiring((StationWiring("A", *FEED, SENSOR),))
COUNT, PAUSE_S = 4, 0.4
LOAD_NM = 2.0
CHUNK_S = 0.01
# As in `rig.bench`: a unit that does not move is given up, one that parked is at rest.
NO_MOVEMENT_S, SETTLE_S, SETTLED_S, REST_MIN_S = 0.8, 0.4, 0.10, 0.3
NEAR_STALL, STARTS, FLOWING_A = 0.8, 0.03, 0.15
OVER_CURRENT_A = 33.0
DIRECT_S, RUN_OUT_S, JAM_S, REST_S = 0.5, 0.3, 0.15, 2.0
COOL_S = 5.0
CONVERSION_S = 0.000532  # 12 bit, INA219 data sheet SBOS448

LM_12 = UnitType("LM-12", 12.0, 0.51, 7.36, heat_j_per_k=120.0)
LM_12_LIMITS = Limits(
    half_turn_max_s=VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))),
    run_on_s=3.0,
    stall_s=0.25,
    rest_max_a=0.05,
    run_max_a=7.0,
    peak_max_a=30.0,
    response_max_s=0.1,
    dropouts_max=0,
)


@dataclass(frozen=True, slots=True)
class RigErrors:
    """How a rig reads: ``gain`` and ``voltage_gain`` (1), ``offset_a``, ``noise_a`` (A)."""

    gain: float = 1.0
    voltage_gain: float = 1.0
    offset_a: float = 0.0
    noise_a: float = 0.004
    sample_hz: int = 1000
    coil_seen: bool = True


def rig_errors(rng: random.Random) -> RigErrors:
    """Return the errors of a rig within what its file states (standard uncertainties 0.5 %)."""
    return RigErrors(
        gain=1.0 + rng.gauss(0.0, 0.005),
        voltage_gain=1.0 + rng.gauss(0.0, 0.005),
        offset_a=rng.gauss(0.0, 0.005),
        noise_a=rng.choice((0.002, 0.005, 0.02)),
        sample_hz=rng.choice((500, 1000)),
    )


@contextmanager
def whole_history() -> Iterator[None]:
    """Have every world keep its feed's whole past."""
    kept, history.KEEP = history.KEEP, 10**9
    try:
        yield
    finally:
        history.KEEP = kept


class TrippedError(Exception):
    """The guard took the feeds away."""


class Trial:
    """A unit of a case on a bench; `trace` does a guided test on it.

    Without ``spread`` the unit is as its type is, and the rig without error.  ``supply``: its
    voltage and resistance (V, ohm) instead of drawn ones.
    """

    def __init__(
        self,
        case: Case,
        unit: UnitType = LM_12,
        limits: Limits = LM_12_LIMITS,
        parameters: UnitParameters | None = None,
        *,
        spread: bool = True,
        supply: tuple[float, float] | None = None,
    ) -> None:
        self.case, self.unit, self.limits = case, unit, limits
        rng = random.Random(f"trial {case.seed}")
        self.errors = rig_errors(rng) if spread else RigErrors()
        self.accuracy = Accuracy(relay_u_s=0.0015)
        drawn = rng.uniform(11.8, 13.2), rng.uniform(0.005, 0.04)
        self.supply_v, source_ohm = supply or drawn
        rig = RigParameters(source_ohm=source_ohm)
        self.world = World(
            WIRING,
            seed=case.seed,
            parameters=parameters,
            rig=rig,
            battery_v=self.supply_v,
            spread=spread,
        )
        self.station = self.world.stations["A"]
        assert self.station.unit is not None
        self.fitted = self.station.unit
        self._noise = np.random.default_rng(case.seed)
        # Half of the missing battery voltages are a blown fuse, which the sensor sees.
        self._fuse_blown = any(n == "battery-open" and d < 0.5 for n, d in case.causes)
        for name, degree in case.causes:
            if not (name == "battery-open" and self._fuse_blown):
                self.world.apply_fault(AppliedFault(CATALOGUE[name], degree))

    # --- what is done at the jig ---------------------------------------------------------------

    def _prepare(self, test: str) -> None:
        unit, world, station = self.fitted, self.world, self.station
        wanted = world.known_good_relay() if test == "known_good_relay" else unit.own_relay
        volts = TESTS[test].supply_v or self.supply_v

        def act(now_s: float) -> None:
            station.fit_fuse()
            station.fuse.blown = self._fuse_blown
            world._battery_v = volts
            if wanted is not unit.relay:
                unit.relay.drive(now_s, 0.0, False)
                unit.relay = wanted
            unit.connect_motor(test == "direct")
            unit.hook(test not in ("unhooked", "direct"))
            unit.hang(LOAD_NM if test == "loaded" else 0.0)

        world.change(act)

    # --- sequences ---------------------------------------------------------------------------

    def trace(self, test: str) -> Trace:
        """Do a guided test; return its trace as the bench would have recorded it."""
        self._prepare(test)
        self._begin()
        with suppress(TrippedError):
            self._run(TESTS[test].kind)
        self._feed(False, False)
        self._hold(0.05)
        found = self._recorded()
        self.world.change(lambda _: self.fitted.lock(False))
        self._advance(COOL_S)
        if test == "direct":
            self._come_home()
        self._forget()
        return found

    def _come_home(self) -> None:
        """Let the unit's own cams bring the lever on to run and home to stop."""
        self._prepare("unhooked")
        self._begin()
        with suppress(TrippedError):
            self._half_turn(to_run=True)
            self._half_turn(to_run=False)
        self._feed(False, False)
        self._advance(COOL_S)

    def _run(self, kind: str) -> None:
        self._hold(0.3)
        if kind == "rest":
            self._home()
            self._hold(REST_S)
        elif kind == "direct":
            self._feed(True, False)
            self._hold(DIRECT_S)
            self._feed(False, False)
            self._hold(RUN_OUT_S)
        elif kind == "jam":
            self.world.change(lambda _: self.fitted.lock(True))
            self._feed(True, False)
            self._hold(SETTLE_S)
            self._feed(True, True)
            self._hold(JAM_S)
        else:
            self._home()
            for number in range(COUNT):
                self._half_turn(to_run=number % 2 == 0)

    def _home(self) -> None:
        self._feed(True, False)
        self._hold(SETTLE_S)
        while self._flowing or (self._has_flowed and not self._parked):
            self._watched(CHUNK_S)

    def _half_turn(self, *, to_run: bool) -> None:
        self._feed(True, to_run)
        start_s = self.world.now_s
        while not self._parked:
            if not self._has_flowed and self.world.now_s - start_s > NO_MOVEMENT_S:
                break
            self._watched(CHUNK_S)
        limit_s = self.limits.half_turn_max_s.at(self._volts) + REST_MIN_S
        rest_s = max(PAUSE_S, REST_MIN_S, start_s + limit_s - self.world.now_s)
        self._hold(rest_s)
        while self._flowing:
            self._hold(rest_s)

    # --- feeds, time and guard ---------------------------------------------------------------

    def _begin(self) -> None:
        self._since_s = self.world.now_s
        self._edges: list[tuple[float, bool, bool]] = [(-inf, False, False)]
        self._fed = False
        self._volts = 0.0
        self._rest_a = 0.0
        self._changed(self.world.now_s)
        self._coil: list[tuple[float, float]] = []
        self._flowing = False

    def _changed(self, at_s: float) -> None:
        self._changed_s = self._quiet_since_s = at_s
        self._has_flowed = False
        self._near_stall_s = self._peak_siemens = 0.0

    def _feed(self, battery: bool, ignition: bool) -> None:
        station, world = self.station, self.world
        now_s = world.now_s
        was_battery, was_ignition = self._edges[-1][1:]

        def command(at_s: float) -> None:
            station.battery_relay.command(battery, at_s)
            station.ignition_relay.command(ignition, at_s)

        world.change(command)
        if battery != was_battery:
            wired = FEED[0]
            delay_s = wired.operate_s if battery else wired.release_s
            self._edges.append((now_s + delay_s, battery, was_ignition))
        if ignition != was_ignition:
            wired = FEED[1]
            delay_s = wired.operate_s if ignition else wired.release_s
            self._edges.append((now_s + delay_s, battery, ignition))
        self._fed = battery
        flowing = self._flowing
        self._changed(now_s)
        self._has_flowed = flowing and battery
        self._advance(CHUNK_S)  # until the contact follows

    def _hold(self, duration_s: float) -> None:
        end_s = self.world.now_s + duration_s
        while self.world.now_s < end_s - 1e-9:
            self._watched(min(CHUNK_S, end_s - self.world.now_s))

    def _advance(self, duration_s: float) -> None:
        self.world.now_s += duration_s
        self.world.reach(self.world.now_s)

    def _watched(self, dt: float) -> None:
        world, past = self.world, self.station.history
        first = len(past.times)
        t0 = world.now_s
        self._advance(dt)
        t1 = world.now_s
        self._coil.append((t1, self.station.coil_a(t1)))
        if not self._fed:
            self._flowing = False
            return
        mean_a = past.mean_a(t0, t1)
        volts = self._volts = max(past.volts[-1], 0.0)
        stall_a = volts / self.unit.winding_ohm
        self._flowing = mean_a - self._leak_a() > max(FLOWING_A, STARTS * stall_a)
        if self._flowing:
            self._has_flowed = True
            self._quiet_since_s = t1
        self._guard(max(past.currents[first:], default=mean_a), mean_a, volts, dt)

    def _leak_a(self) -> float:
        return self.station.effects.leak_a * self.supply_v / 12.0

    def _guard(self, top_a: float, mean_a: float, volts: float, dt: float) -> None:
        if volts >= 1.0:
            self._peak_siemens = max(self._peak_siemens, top_a / volts)
            yardstick = max(self._peak_siemens, 0.35 / self.unit.winding_ohm)
            near = mean_a / volts > NEAR_STALL * yardstick
            self._near_stall_s = self._near_stall_s + dt if near else 0.0
        turning_s = self.world.now_s - self._changed_s
        if (
            mean_a > OVER_CURRENT_A
            or self._near_stall_s >= self.limits.stall_s
            or (self._flowing and turning_s > self.limits.run_on_s)
        ):
            raise TrippedError

    @property
    def _parked(self) -> bool:
        quiet_s = self.world.now_s - max(self._quiet_since_s, self._changed_s)
        return self._has_flowed and not self._flowing and quiet_s >= SETTLED_S

    # --- what is recorded --------------------------------------------------------------------

    def _recorded(self) -> Trace:
        e, past = self.errors, self.station.history
        step_s = 1.0 / e.sample_hz
        time_s = np.arange(self._since_s + 2.0 * step_s, self.world.now_s, step_s)
        times, volts = np.array(past.times), np.array(past.volts)
        charges = np.array(past.charges)
        n = len(time_s)
        ends, starts = (
            np.interp(time_s, times, charges),
            np.interp(time_s - CONVERSION_S, times, charges),
        )
        amps = (ends - starts) / CONVERSION_S
        amps = amps * e.gain + e.offset_a + self._noise.normal(0.0, e.noise_a, n)
        lsb_a = 1e-5 / SENSOR.shunt_ohm
        amps = np.round(amps / lsb_a) * lsb_a
        read = np.interp(time_s[:: SENSOR.bus_every], times, volts) * e.voltage_gain
        read = np.round(np.maximum(read, 0.0) / 0.004) * 0.004
        held = np.repeat(read, SENSOR.bus_every)[:n]
        # What the driver tells is the middle of the conversion.
        told_s = time_s - 0.5 * CONVERSION_S
        at = np.searchsorted([edge[0] for edge in self._edges], told_s, side="right") - 1
        battery = np.array([edge[1] for edge in self._edges])[at]
        ignition = np.array([edge[2] for edge in self._edges])[at]
        extra = {"ignition_current_a": self._coil_a(told_s)} if e.coil_seen else {}
        return Trace(told_s, amps, held, battery, ignition, np.zeros(n, np.uint8), extra)

    def _coil_a(self, told_s: FloatArray) -> FloatArray:
        if not self._coil:
            return np.zeros(len(told_s))
        at, amps = np.array(self._coil).T
        noise = self._noise.normal(0.0, 0.0005, len(told_s))
        found: FloatArray = np.interp(told_s, at, amps) + noise
        return found

    def _forget(self) -> None:
        past = self.station.history
        keep = slice(0, max(len(past.times) - 2, 0))
        for column in (past.times, past.charges, past.currents, past.volts):
            del column[keep]
