"""Small worlds to drive the drivers in: virtual time, pins with external pulls, one chip."""

from __future__ import annotations

import importlib
import random
import runpy
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drivers.simulated.chip import Ina219Chip, SimulatedBus
from drivers.simulated.pins import SimulatedPinFactory

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="session")
def sheet() -> SimpleNamespace:
    """Facts of the INA219 from its data sheet."""
    return SimpleNamespace(**runpy.run_path(str(REFERENCE / "ina219_datasheet.py")))


class Bench:
    """Virtual time, a chip on a bus, and what is at the chip's pins as functions of time.

    ``shunt_v`` and ``bus_v`` give means over a window.
    """

    def __init__(self, address: int = 0x40, **chip: Any) -> None:
        self.time_s = 0.0
        self.shunt_v: Callable[[float, float], float] = lambda t0, t1: 0.0
        self.bus_v: Callable[[float, float], float] = lambda t0, t1: 12.0
        self.windows: list[tuple[float, float]] = []
        self.chip = Ina219Chip(self, self.now_s, random.Random(7), **chip)
        self.bus = SimulatedBus({address: self.chip}, self.spend)

    def now_s(self) -> float:
        return self.time_s

    def sleep_until(self, time_s: float) -> None:
        self.time_s = max(self.time_s, time_s)

    def spend(self, duration_s: float) -> None:
        self.time_s += duration_s

    def mean_shunt_v(self, t0_s: float, t1_s: float) -> float:
        self.windows.append((t0_s, t1_s))
        return self.shunt_v(t0_s, t1_s)

    def mean_bus_v(self, t0_s: float, t1_s: float) -> float:
        return self.bus_v(t0_s, t1_s)

    def hold(self, shunt_v: float, bus_v: float = 12.0) -> None:
        self.shunt_v = lambda t0, t1: shunt_v
        self.bus_v = lambda t0, t1: bus_v

    def ramp(self, volts_per_s: float) -> None:
        self.shunt_v = lambda t0, t1: volts_per_s * (t0 + t1) / 2


@pytest.fixture(scope="session")
def make_bench() -> Callable[..., Bench]:
    return Bench


@pytest.fixture
def bench() -> Bench:
    return Bench()


class PullWorld:
    """A world of pins: external pulls, contacts to ground, and a record of what was driven."""

    def __init__(self) -> None:
        self.pulls: dict[int, bool] = {}
        self.driven: dict[int, list[bool]] = {}
        self.released: list[int] = []
        self.syncs = 0

    def output_changed(self, pin: int, level: bool) -> None:
        self.driven.setdefault(pin, []).append(level)

    def output_released(self, pin: int) -> None:
        self.released.append(pin)

    def input_level(self, pin: int) -> bool:
        return self.pulls.get(pin, False)

    def sync(self) -> None:
        self.syncs += 1


class SimulatedPins:
    """The simulated pins, as the contract tests look at them."""

    def __init__(self) -> None:
        self.world = PullWorld()
        self.factory = SimulatedPinFactory(self.world)

    def driven(self, pin: int) -> list[bool]:
        """All levels that the pin has been driven to, in order."""
        return self.world.driven.get(pin, [])

    def is_driven(self, pin: int) -> bool:
        return pin in self.world.driven and pin not in self.world.released

    def set_input(self, pin: int, level: bool) -> None:
        self.world.pulls[pin] = level

    def stick(self, pin: int, level: bool | None) -> None:
        self.factory.stick(pin, level)

    def close(self) -> None:
        self.factory.close()


class FakeLgpio(types.ModuleType):
    """As much of the lgpio library as a pin needs, with its habits.

    Behaviour read in lgpio 0.2.2: claiming an output drives the given level (low by default) at
    once; claiming a line again that is ours already as an output ignores the level; a line's flags
    change only when it is freed and claimed again.
    """

    SET_BIAS_DISABLE = SET_PULL_NONE = 128
    SET_BIAS_PULL_UP = SET_PULL_UP = 32
    SET_BIAS_PULL_DOWN = SET_PULL_DOWN = 64
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3

    class error(Exception):  # noqa: N801, N818  # its name in lgpio
        pass

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.lines: dict[int, dict[str, Any]] = {}
        self.log: list[tuple[str, int, int]] = []
        self.inputs: dict[int, bool] = {}
        self.stuck: dict[int, bool] = {}
        self.closed: list[int] = []
        self.broken = False

    def gpiochip_open(self, chip: int) -> int:
        return chip + 100

    def gpiochip_close(self, handle: int) -> int:
        self.closed.append(handle)
        return 0

    def gpio_claim_input(self, handle: int, gpio: int, flags: int = 0) -> int:
        self.log.append(("input", gpio, flags))
        held = self.lines.get(gpio)
        self.lines[gpio] = {"out": False, "level": 0, "flags": held["flags"] if held else flags}
        return 0

    def gpio_claim_output(self, handle: int, gpio: int, level: int = 0, flags: int = 0) -> int:
        held = self.lines.get(gpio)
        if not (held and held["out"]):
            self.lines[gpio] = {"out": True, "level": level, "flags": flags}
            self.log.append(("drive", gpio, level))
        return 0

    def gpio_write(self, handle: int, gpio: int, level: int) -> int:
        if self.broken or not self.lines.get(gpio, {}).get("out"):
            raise self.error("GPIO not set as an output")
        if self.lines[gpio]["level"] != int(level):
            self.lines[gpio]["level"] = int(level)
            self.log.append(("drive", gpio, int(level)))
        return 0

    def gpio_read(self, handle: int, gpio: int) -> int:
        if gpio in self.stuck:
            return int(self.stuck[gpio])
        line = self.lines[gpio]
        return int(line["level"] if line["out"] else self.inputs.get(gpio, False))

    def gpio_get_mode(self, handle: int, gpio: int) -> int:
        line = self.lines.get(gpio, {"out": False, "flags": 0})
        return (2 if line["out"] else 0) | line["flags"]

    def gpio_free(self, handle: int, gpio: int) -> int:
        self.lines.pop(gpio, None)
        return 0


@pytest.fixture
def lgpio(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeLgpio]:
    """The fake in place of the library, with gpiozero's own lgpio pins on top."""
    fake = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", fake)
    for name in ("gpiozero.pins.lgpio", "drivers.pi_pins"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    local = importlib.import_module("gpiozero.pins.local")
    monkeypatch.setattr(local, "get_pi_revision", lambda: 0xC03114)  # a Raspberry Pi 4 B
    yield fake
    for name in ("gpiozero.pins.lgpio", "drivers.pi_pins"):
        sys.modules.pop(name, None)


class LgpioPins:
    """Our Raspberry Pi pins on the fake library."""

    def __init__(self, fake: FakeLgpio) -> None:
        self.fake = fake
        self.factory = importlib.import_module("drivers.pi_pins").open_factory(0)

    def driven(self, pin: int) -> list[bool]:
        return [bool(x) for what, n, x in self.fake.log if what == "drive" and n == pin]

    def is_driven(self, pin: int) -> bool:
        return bool(self.fake.lines.get(pin, {}).get("out"))

    def set_input(self, pin: int, level: bool) -> None:
        self.fake.inputs[pin] = level

    def stick(self, pin: int, level: bool | None) -> None:
        if level is None:
            self.fake.stuck.pop(pin, None)
        else:
            self.fake.stuck[pin] = level

    def close(self) -> None:
        self.factory.close()


@pytest.fixture(params=["simulated", "lgpio"])
def pins(request: pytest.FixtureRequest) -> Iterator[Any]:
    """The two kinds of pins that every driver must work on."""
    made: Any
    if request.param == "simulated":
        made = SimulatedPins()
    else:
        made = LgpioPins(request.getfixturevalue("lgpio"))
    yield made
    made.close()


@pytest.fixture
def simulated_pins() -> Iterator[SimulatedPins]:
    made = SimulatedPins()
    yield made
    made.close()


class Model:
    """A supply that gives what is set."""

    def __init__(self) -> None:
        self.set_v = 0.0
        self.limit_a = 0.0
        self.output_on = False
        self.drawn_a = 0.0

    def measured_v(self) -> float:
        return self.set_v if self.output_on else 0.0

    def measured_a(self) -> float:
        return self.drawn_a if self.output_on else 0.0


@pytest.fixture
def model() -> Model:
    return Model()
