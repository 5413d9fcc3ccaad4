"""How fast the current sensor is read, against polling the library's ``current`` and
``bus_voltage`` on the same emulated 400 kHz bus.

Run by hand: ``python tests/bench/bench_acquisition.py``.  Bus time is virtual and exact; processor
time is of this machine, emulation included, as a ratio first.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from adafruit_ina219 import INA219

from drivers import DeadManWiring, OutputWiring, SensorWiring
from drivers.current import CurrentSensor
from drivers.feeds import DeadMan, FeedOutput
from drivers.simulated.chip import Ina219Chip, SimulatedBus
from drivers.simulated.pins import SimulatedPinFactory

COUNT = 20_000
ADDRESS = 0x40
WIRING = SensorWiring(bus=1, address=ADDRESS, shunt_ohm=0.005, max_a=20.0)


class Bench:
    """Virtual time and a slowly rising current, so that every conversion gives another code."""

    def __init__(self) -> None:
        self.time_s = 0.0
        self.chip = Ina219Chip(self, self.now_s, random.Random(1))
        self.bus = SimulatedBus({ADDRESS: self.chip}, self.spend)

    def now_s(self) -> float:
        return self.time_s

    def sleep_until(self, time_s: float) -> None:
        self.time_s = max(self.time_s, time_s)

    def spend(self, duration_s: float) -> None:
        self.time_s += duration_s

    def mean_shunt_v(self, t0_s: float, t1_s: float) -> float:
        return (t0_s * 0.05) % 0.15

    def mean_bus_v(self, t0_s: float, t1_s: float) -> float:
        return 12.0


def flat_out(bench: Bench, poll: Callable[[], object]) -> tuple[float, float, float]:
    """Poll as fast as the bus goes: seconds of bus and of processor a sample, share repeated."""
    began_s, began_cpu_s = bench.time_s, time.process_time()
    seen = [poll() for _ in range(COUNT)]
    cpu_s = time.process_time() - began_cpu_s
    repeats = sum(a == b for a, b in pairwise(seen))
    return (bench.time_s - began_s) / COUNT, cpu_s / COUNT, repeats / COUNT


def at_1_khz(bench: Bench, poll: Callable[[], object]) -> tuple[float, float]:
    """Poll at 1 kHz: seconds of bus a sample, share repeated."""
    bus_s = 0.0
    next_s = bench.time_s
    seen = []
    for _ in range(COUNT):
        next_s += 1e-3
        bench.sleep_until(next_s)
        began_s = bench.time_s
        seen.append(poll())
        bus_s += bench.time_s - began_s
    repeats = sum(a == b for a, b in pairwise(seen))
    return bus_s / COUNT, repeats / COUNT


def library(bench: Bench) -> Callable[[], object]:
    chip = INA219(bench.bus, ADDRESS)

    def poll() -> object:
        current_ma = chip.current
        _ = chip.bus_voltage
        return current_ma

    return poll


def ours(bench: Bench) -> Callable[[], object]:
    sensor = CurrentSensor(WIRING, bench.bus, bench)
    return lambda: sensor.read().current_a


def switched(bench: Bench) -> Callable[[], object]:
    """The other way to interleave: shunt-only mode, left for a 9-bit bus conversion every tenth."""
    bus = bench.bus
    word = bytearray(2)
    shunt_only = bytes((0, 0b0011_0000, 0b1001_1101))  # PGA /4, 12 bits, shunt continuous
    bus_once = bytes((0, 0b0011_0000, 0b0001_1010))  # 9 bits, bus triggered
    bus.writeto(ADDRESS, shunt_only)
    left = [10]

    def poll() -> object:
        bus.writeto_then_readfrom(ADDRESS, b"\x01", word)
        code = int.from_bytes(word, "big")
        left[0] -= 1
        if not left[0]:
            left[0] = 10
            bus.writeto(ADDRESS, bus_once)
            bench.spend(93e-6)  # the longest 9-bit conversion
            bus.writeto_then_readfrom(ADDRESS, b"\x02", word)
            bus.writeto(ADDRESS, shunt_only)
        return code

    return poll


class Pulls:
    """A world of pins in which nothing happens."""

    def output_changed(self, pin: int, level: bool) -> None: ...
    def output_released(self, pin: int) -> None: ...
    def sync(self) -> None: ...
    def input_level(self, pin: int) -> bool:
        return False


def each_us(action: Callable[[], object]) -> float:
    """Processor time of one call in microseconds, best of five."""
    best = float("inf")
    for _ in range(5):
        began = time.process_time()
        for _ in range(COUNT):
            action()
        best = min(best, time.process_time() - began)
    return best / COUNT * 1e6


def main() -> None:
    """Print the figures."""
    polls = {"library current + bus_voltage": library, "CurrentSensor.read": ours}
    bus_s, cpu_s = {}, {}
    print("flat out on the 400 kHz bus")
    for name, make in polls.items():
        bench = Bench()
        bus_s[name], cpu_s[name], repeats = flat_out(bench, make(bench))
        print(
            f"  {name:32} {1 / bus_s[name]:7.0f} samples/s of bus, {cpu_s[name] * 1e6:5.2f} us of "
            f"processor, {(1 - repeats) / bus_s[name]:5.0f} new conversions/s"
        )
    first, second = polls
    print(f"  ratio by bus time {bus_s[first] / bus_s[second]:.2f} (to reach: 2.5)")
    print(f"  ratio by processor time {cpu_s[first] / cpu_s[second]:.2f}")
    print("at 1 kHz")
    for name, make in (polls | {"shunt only, bus switched in": switched}).items():
        bench = Bench()
        used_s, repeats = at_1_khz(bench, make(bench))
        print(f"  {name:32} {used_s * 1e6:4.0f} us of bus a sample, {repeats:6.2%} repeated")

    factory = SimulatedPinFactory(Pulls())
    dead_man = DeadMan(DeadManWiring(22), factory)
    feed = FeedOutput(OutputWiring(17), factory)

    def make_and_release() -> None:
        feed.make()
        feed.release()

    print("pins")
    print(f"  dead-man toggle {each_us(dead_man.toggle):.2f} us")
    print(f"  feed made and released, read back {each_us(make_and_release):.2f} us")
    feed.close()
    dead_man.close()


if __name__ == "__main__":
    main()
