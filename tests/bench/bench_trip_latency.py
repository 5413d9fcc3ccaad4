"""From the sample that shows trouble to the pin edge: the bench's own process against a thread.

Real time, 1 kHz: the real control loop, guard, station and drivers. The world is a light one at
the level of pins and registers (the emulated INA219 and gpiozero's mock pins, no physics): what a
simulated unit costs is left out, and a bus transaction takes its 72 us as on a 400 kHz bus, with
the interpreter's lock let go. Meanwhile a headless console draws the live trace 20 times a second
out of the same ring, and a busy loop takes the other core. Over-current, stall and emergency stop
come at a random phase of the sample period. Baseline: the same loop as a thread of the console's
process.
Run by hand: ``python tests/bench/bench_trip_latency.py`` (about ten minutes); ends with 1 if a trip
in the bench's own process took longer than two sample periods.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import multiprocessing
import random
import sys
import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
from bench_runs import HALF_TURNS, make_order, make_plan, make_settings
from scripted_bench import ScriptedBench

from drivers.clock import MonotonicClock
from drivers.ina219 import plan_sensor
from drivers.simulated.chip import Ina219Chip, SimulatedBus
from drivers.simulated.pins import SimulatedPinFactory
from rig.bench.errors import TripKind, Tripped
from rig.bench.guard import Guard, GuardLimits
from rig.bench.lateness import LatenessMeter
from rig.bench.loop import ControlLoop
from rig.bench.process import be_ready_to_spawn
from rig.bench.realtime import claim
from rig.bench.requests import BATTERY
from rig.bench.ring import SampleRing
from rig.bench.station import Station
from rig.console.app import HalfturnConsole
from rig.console.desk import Desk
from rig.records.lateness import Lateness

SAMPLE_HZ = 1000
PERIOD_S = 1 / SAMPLE_HZ
KINDS = (TripKind.OVER_CURRENT, TripKind.STALL, TripKind.EMERGENCY_STOP)
RUN_A, OVER_A, STALL_A, SUPPLY_V = 2.0, 40.0, 23.5, 12.0  # 12 V at 0.51 ohm is 23.5 A
SETTINGS = make_settings(sample_hz=SAMPLE_HZ, supply=False)
# The plan's times are waited out by any guard and say nothing of how quick it is: short ones here.
LIMITS = GuardLimits(
    over_current_a=33.0,
    over_current_s=PERIOD_S / 10,
    stall_s=0.005,
    run_on_s=1e6,
    step_max_s=1e6,
    winding_max_c=1e6,
    winding_ohm=0.51,
    heat_j_per_k=120.0,
    cooling_k_per_w=8.0,
)
MAX_A = 45.0


class TripWorld:
    """What is at the pins and at the chip: a fed unit that draws 2 A until trouble comes."""

    def __init__(self, wiring):
        self._feed_pin = wiring.stations[0].battery_feed.pin
        self._stop_pin = wiring.emergency_stop.pin
        self._shunt_ohm = wiring.stations[0].battery_sensor.shunt_ohm
        self._fed = False
        self._kind = None
        self._onset_s = 0.0
        self.cut_s = 0.0  # when the feed's pin went low last

    def trouble(self, kind, onset_s):
        self._kind, self._onset_s = kind, onset_s

    # pins
    def output_changed(self, pin, level):
        if pin == self._feed_pin:
            if self._fed and not level:
                self.cut_s = time.monotonic()
            self._fed = level

    def output_released(self, pin):
        self.output_changed(pin, False)

    def input_level(self, pin):
        if pin != self._stop_pin:
            return False
        return self._kind is TripKind.EMERGENCY_STOP and time.monotonic() >= self._onset_s

    def sync(self):
        pass

    # chip
    def mean_shunt_v(self, t0_s, t1_s):
        if not self._fed:
            return 0.0
        trouble_a = {TripKind.OVER_CURRENT: OVER_A, TripKind.STALL: STALL_A}.get(self._kind, RUN_A)
        share = min(max((t1_s - self._onset_s) / (t1_s - t0_s), 0.0), 1.0)
        return self._shunt_ohm * (RUN_A + share * (trouble_a - RUN_A))

    def mean_bus_v(self, t0_s, t1_s):
        return SUPPLY_V if self._fed else 0.0


class TripBackend:
    """The light world as a backend."""

    name, simulated, hands = "trips", True, None

    def __init__(self, wiring):
        self.clock = MonotonicClock()
        self.world = TripWorld(wiring)
        self.pin_factory = SimulatedPinFactory(self.world)
        address = wiring.stations[0].battery_sensor.address
        chip = Ina219Chip(self.world, time.monotonic, random.Random(1))
        self._bus = SimulatedBus({address: chip}, time.sleep)

    def i2c(self, bus):
        return self._bus


def wiring_of_one_sensor():
    """Return the starter rig's wiring with one sensor and relays that take no time."""
    wiring = SETTINGS.wiring(MAX_A)
    (station,) = wiring.stations
    relay = replace(station.battery_feed, operate_s=0.0, release_s=0.0)
    station = replace(station, battery_feed=relay, ignition_sensor=None, at_run=None, at_stop=None)
    return replace(wiring, stations=(station,))


@dataclass
class Found:
    """Times of every trip, s: condition, reading and sample that showed it, pin edge."""

    claimed: str = ""
    onset_s: dict = field(default_factory=lambda: {str(kind): [] for kind in KINDS})
    sample_s: dict = field(default_factory=lambda: {str(kind): [] for kind in KINDS})
    edge_s: dict = field(default_factory=lambda: {str(kind): [] for kind in KINDS})
    others: int = 0  # trips of another kind: the loop was held up so long that the guard saw it
    lateness: Lateness | None = None


def trip_again_and_again(ring, trips, seed, told=lambda count: None):
    """Run the loop into ``trips`` trips, a third of each kind, in random order."""
    rng = random.Random(seed)
    wiring = wiring_of_one_sensor()
    backend = TripBackend(wiring)
    station = Station(backend, wiring, wiring.stations[0])
    nothing = dict.fromkeys(("listen", "ask", "set_supply", "news", "on_trip"), lambda *said: None)
    meter = LatenessMeter(PERIOD_S)
    loop = ControlLoop(
        station, backend.clock, Guard(LIMITS), PERIOD_S, watch=ring.write, lateness=meter, **nothing
    )
    loop.consent = True
    found = Found()
    wanted = [kind for kind in KINDS for _ in range(trips // len(KINDS))]
    rng.shuffle(wanted)
    loop.resume_after_pause()
    done = 0
    while done < len(wanted):
        kind = wanted[done]
        loop.recorder.clear()
        loop.guard = Guard(LIMITS)  # the last trip's current has not been smoothed away yet
        try:
            loop.idle(3 * PERIOD_S)
            onset_s = time.monotonic() + rng.uniform(4.0, 8.0) * PERIOD_S
            backend.world.trouble(kind, onset_s)
            loop.run_step(feed_for_ever())
        except Tripped as tripped:
            trip = tripped.trip
        backend.world.trouble(None, 0.0)
        if trip.kind is not kind:
            found.others += 1
            continue
        found.onset_s[str(kind)].append(onset_s)
        found.sample_s[str(kind)].append(trip.time_s)
        found.edge_s[str(kind)].append(backend.world.cut_s)
        done += 1
        told(done)
    station.close()
    found.lateness = meter.result()
    return found


def feed_for_ever():
    while True:
        yield BATTERY


# --- the two places it can run in -----------------------------------------------------------------


def bench_process(ring_name, pipe, trips, seed, real_time):
    ring = SampleRing(ring_name)
    gc.collect()
    gc.freeze()
    got = claim(real_time=real_time, priority=40, lock_memory=real_time)
    found = trip_again_and_again(ring, trips, seed, lambda done: done % 100 or pipe.send(done))
    found.claimed = got.words
    pipe.send(found)
    ring.close()


class InAProcess:
    """The loop as halfturn runs it."""

    title = "process of its own"
    real_time = True

    def __init__(self, ring, trips, seed):
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        arguments = (ring.name, theirs, trips, seed, self.real_time)
        self._process = context.Process(target=bench_process, args=arguments)
        self._process.start()
        theirs.close()
        self.count = 0

    def look(self):
        """Return what was found, None as long as it goes on."""
        while self._pipe.poll():
            said = self._pipe.recv()
            if isinstance(said, Found):
                self._process.join()
                return said
            self.count = said
        return None


class InAnOrdinaryProcess(InAProcess):
    """The loop as halfturn runs it where neither priority nor locked memory is granted."""

    title = "process, nothing granted"
    real_time = False


class InAThread:
    """The same loop as a thread of the console's process."""

    title = "thread of the console"

    def __init__(self, ring, trips, seed):
        self._found = None
        self.count = 0
        self._thread = threading.Thread(target=self._run, args=(ring, trips, seed), daemon=True)
        self._thread.start()

    def _run(self, ring, trips, seed):
        self._found = trip_again_and_again(ring, trips, seed, self._told)

    def _told(self, count):
        self.count = count

    def look(self):
        """Return what was found, None as long as it goes on."""
        if self._found is None and not self._thread.is_alive():
            raise RuntimeError("the thread died")
        return self._found


# --- what goes on meanwhile -----------------------------------------------------------------------


def hog():
    while True:
        sum(range(10_000))


class Counting(HalfturnConsole):
    """Counts its frames."""

    CSS_PATH = Path(sys.modules[HalfturnConsole.__module__].__file__).with_name("console.tcss")
    frames = 0

    def pump(self):
        super().pump()
        self.frames += 1


async def beside_a_console(place, trips, seed, folder):
    """Return what was found, and the console's frames a second and share of a core meanwhile."""
    be_ready_to_spawn()
    bench = ScriptedBench()
    job = make_order(make_plan(HALF_TURNS), settings=SETTINGS)
    desk = Desk(SETTINGS, folder / "none.sqlite", lambda: bench, backend="simulated")
    console = Counting(desk)
    async with console.run_test(size=(120, 40)):
        assert console.begin(job)
        console.go("live")
        bench.begin_run()
        bench.begin_step(1)
        running = place(bench.ring, trips, seed)
        began_s, cpu_s, frames = time.monotonic(), time.process_time(), console.frames
        while (found := running.look()) is None:
            await asyncio.sleep(0.2)
            progress(place.title, running.count, trips)
        wall_s = time.monotonic() - began_s
        told = (console.frames - frames) / wall_s, (time.process_time() - cpu_s) / wall_s, wall_s
        assert console.screen.place == "live"
    desk.close()
    return found, told


def progress(title, count, trips):
    if sys.stderr.isatty():
        filled = 30 * count // trips
        sys.stderr.write(f"\r{title:24s} [{'#' * filled:30s}] {count:6d} of {trips}")
        sys.stderr.write("\n" if count >= trips else "")
        sys.stderr.flush()


# --- the table ------------------------------------------------------------------------------------


def spread(times_s):
    p50, p999 = 1000 * np.percentile(times_s, (50, 99.9))
    return f"{p50:.2f} / {p999:.2f} / {1000 * max(times_s):.2f}"


def rows(title, found, age_s):
    """Print the table's rows; return how many trips took longer than two periods."""
    slow = 0
    for kind in (*map(str, KINDS), "all"):
        kinds = [str(k) for k in KINDS] if kind == "all" else [kind]
        edge, sample, onset = (
            np.concatenate([getattr(found, name)[k] for k in kinds])
            for name in ("edge_s", "sample_s", "onset_s")
        )
        taken_s = edge - sample
        late = int(np.sum(taken_s > 2 * PERIOD_S))
        if kind == "all":
            slow = late
        # A stall is told by what has been for a while: no single moment is its beginning.
        begun = spread(edge - onset) if kind in ("over_current", "emergency_stop") else ""
        print(
            f"| {title} | {kind.replace('_', ' ')} | {len(edge)} | {spread(taken_s)} "
            f"| {spread(taken_s - age_s)} | {begun} | {late} |"
        )
    return slow


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trips", type=int, default=10_000, help="in each place (10000)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hogs", type=int, default=1, help="busy loops beside it (1)")
    parser.add_argument(
        "--ordinary", action="store_true", help="also a process without priority or locked memory"
    )
    options = parser.parse_args()
    places = [InAProcess, InAThread]
    if options.ordinary:
        places.insert(1, InAnOrdinaryProcess)
    trips = -(-options.trips // len(KINDS)) * len(KINDS)
    context = multiprocessing.get_context("spawn")
    hogs = [context.Process(target=hog, daemon=True) for _ in range(options.hogs)]
    for each in hogs:
        each.start()
    measured = []
    try:
        for place in places:
            with TemporaryDirectory() as name:
                found, told = asyncio.run(beside_a_console(place, trips, options.seed, Path(name)))
            measured.append((place, found, told))
    finally:
        for each in hogs:
            each.kill()
    age_s = plan_sensor(wiring_of_one_sensor().stations[0].battery_sensor).age_s
    print(
        f"Trip latency at {SAMPLE_HZ} Hz, ms: p50 / p99.9 / max. One sample period is "
        f"{1000 * PERIOD_S:g} ms; a sample's time is the middle of its conversion, on average "
        f"{1000 * age_s:.2f} ms before it is read.\n"
    )
    print(
        "| control loop in | trip | trips | sample to pin edge | reading to pin edge "
        "| condition to pin edge | over 2 periods |"
    )
    print("|---|---|---|---|---|---|---|")
    slow = [rows(place.title, found, age_s) for place, found, _ in measured]
    print()
    for place, found, (frames, core, wall_s) in measured:
        late = found.lateness
        woken = " / ".join(f"{1000 * late.woken.quantile_s(q):.2f}" for q in (0.5, 0.99, 0.999))
        print(
            f"- {place.title}: {found.claimed or 'ordinary scheduling'}; cycles woken p50 / p99 / "
            f"p99.9 / max {woken} / {1000 * late.woken.max_s:.2f} ms late, {late.lost_slots} of "
            f"{late.cycles + late.lost_slots} slots lost; trips of another kind {found.others}; "
            f"the console drew {frames:.1f} frames/s on {core:.0%} of a core; {wall_s:.0f} s"
        )
    return 1 if slow[0] else 0


if __name__ == "__main__":
    sys.exit(main())
