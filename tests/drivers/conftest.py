"""Small worlds to drive the drivers in: virtual time, pins with external pulls, one chip."""

from __future__ import annotations

import importlib
import random
import runpy
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from kernel_gpio import GpioChip, plug_in, unplug

from drivers import I2CBus
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
        self.driver_bus: I2CBus = self.bus

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
        self.driving: set[int] = set()
        self.released: list[int] = []
        self.syncs = 0

    def output_changed(self, pin: int, level: bool) -> None:
        self.driven.setdefault(pin, []).append(level)
        self.driving.add(pin)

    def output_released(self, pin: int) -> None:
        self.driving.discard(pin)
        self.released.append(pin)

    def input_level(self, pin: int) -> bool:
        return self.pulls.get(pin, False)

    def sync(self) -> None:
        self.syncs += 1


class Pins:
    """Pins of one of the worlds, as the contract tests look at them."""

    def __init__(self, world: PullWorld, factory: Any, stick: Callable[..., None]) -> None:
        self.world = world
        self.factory = factory
        self.stick = stick

    def driven(self, pin: int) -> list[bool]:
        """All levels that the pin has been driven to, in order."""
        return self.world.driven.get(pin, [])

    def is_driven(self, pin: int) -> bool:
        return pin in self.world.driving

    def set_input(self, pin: int, level: bool) -> None:
        self.world.pulls[pin] = level


@pytest.fixture
def simulated_pins() -> Iterator[Pins]:
    world = PullWorld()
    factory = SimulatedPinFactory(world)
    yield Pins(world, factory, factory.stick)
    factory.close()


@pytest.fixture(scope="session")
def lgpio(tmp_path_factory: pytest.TempPathFactory) -> ModuleType:
    """The lgpio library itself; it makes a named pipe in LG_WD when it is first imported."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LG_WD", str(tmp_path_factory.mktemp("lgpio")))
        return pytest.importorskip("lgpio", reason="no lgpio wheel for this Python or machine")


@pytest.fixture
def chip(lgpio: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Iterator[GpioChip]:
    """The GPIO chip of a Raspberry Pi 4 B under the lgpio library."""
    local = importlib.import_module("gpiozero.pins.local")
    monkeypatch.setattr(local, "get_pi_revision", lambda: 0xC03114)
    made = GpioChip(PullWorld(), number=4)
    plug_in(made)
    yield made
    unplug()


@pytest.fixture
def lgpio_pins(chip: GpioChip, lgpio: ModuleType) -> Iterator[Pins]:
    """Our Raspberry Pi pins, on gpiozero's lgpio factory and the real library."""
    factory = importlib.import_module("drivers.pi_pins").open_factory(4)
    assert isinstance(chip.world, PullWorld)
    yield Pins(chip.world, factory, chip.stick)
    with pytest.MonkeyPatch.context() as patch:
        # Closing a chip takes the library a tenth of a second; one is closed in test_backends.
        patch.setattr(lgpio, "gpiochip_close", lambda handle: 0)
        factory.close()


@pytest.fixture(params=["simulated", "lgpio", "lgpio strict"])
def pins(request: pytest.FixtureRequest) -> Pins:
    """The kinds of pins that every driver must work on; strict: see ``kernel_gpio``."""
    kind, _, strict = request.param.partition(" ")
    if strict:
        request.getfixturevalue("chip").keeps_outputs = False
    made: Pins = request.getfixturevalue(f"{kind}_pins")
    return made


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
