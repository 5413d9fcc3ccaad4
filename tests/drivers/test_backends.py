"""Choosing a backend, and the Raspberry Pi's as far as it goes without one."""

from __future__ import annotations

import ctypes
import os
import re
import sys
import types
from pathlib import Path

import pytest
from kernel_i2c import I2C_RETRIES, I2C_TIMEOUT, I2CDevice, plug_in

from drivers import (
    OK,
    BackendError,
    BackendOptions,
    DeadManWiring,
    FeedError,
    FeedWiring,
    OutputWiring,
    RigWiring,
    SensorError,
    SensorWiring,
    StationWiring,
)
from drivers import pi as pi_module
from drivers.backends import is_simulated, load_backend
from drivers.clock import MonotonicClock
from drivers.current import CurrentSensor
from drivers.feeds import DeadMan, FeedOutput, FeedPair

RIG = RigWiring(stations=())
PLAIN = BackendOptions()


# --- by name -------------------------------------------------------------------------------


def test_unknown_name():
    with pytest.raises(BackendError, match=r"Choose pi, simulated, or package\.module:factory"):
        load_backend("raspberry", RIG, PLAIN)


class Mine:
    name = "mine"
    simulated = True
    clock = pin_factory = hands = None

    def __init__(self, wiring, options):
        self.wiring = wiring
        self.options = options

    def i2c(self, bus): ...
    def serial_port(self, port): ...
    def facts(self): ...
    def close(self): ...


@pytest.mark.parametrize(
    ("name", "simulated"),
    [
        ("simulated", True),
        ("pi", False),
        ("drivers.simulated.apart:backend", True),
        ("own_bench:Mine", True),
        ("own_bench:half", False),
    ],
)
def test_whether_a_world_is_simulated_is_known_before_it_is_started(own_module, name, simulated):
    assert is_simulated(name) is simulated


def broken(wiring, options):
    raise ZeroDivisionError("the bench is on fire")


def refusing(wiring, options):
    raise SensorError("No sensor. Fit one.")


@pytest.fixture
def own_module(monkeypatch):
    module = types.ModuleType("own_bench")
    module.Mine, module.broken, module.refusing = Mine, broken, refusing
    module.nothing_callable = 5
    module.half = lambda wiring, options: object()
    monkeypatch.setitem(sys.modules, "own_bench", module)


@pytest.mark.usefixtures("own_module")
def test_own_factory_gets_wiring_and_options():
    options = BackendOptions(seed=5, faults=("dry_gear",))
    backend = load_backend("own_bench:Mine", RIG, options)
    assert (backend.name, backend.wiring, backend.options) == ("mine", RIG, options)


@pytest.mark.usefixtures("own_module")
@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("no_such_module_here:make", "cannot be imported"),
        ("own_bench:absent", "has nothing under the name absent"),
        ("own_bench:nothing_callable", "cannot be called"),
        ("own_bench:broken", "zero division error: the bench is on fire"),
        ("own_bench:half", "lacks name, simulated"),
        ("own_bench:", "Write package.module:factory"),
        (":make", "Write package.module:factory"),
    ],
)
def test_own_factories_that_do_not_work_are_told_in_a_sentence(name, told):
    with pytest.raises(BackendError, match=told):
        load_backend(name, RIG, PLAIN)


@pytest.mark.usefixtures("own_module")
def test_an_own_factorys_own_sentence_is_passed_on():
    with pytest.raises(SensorError, match=r"No sensor\. Fit one\."):
        load_backend("own_bench:refusing", RIG, PLAIN)


def test_a_module_that_fails_at_import(tmp_path, monkeypatch):
    (tmp_path / "failing_bench.py").write_text("raise RuntimeError('at import')\n")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(BackendError, match="runtime error: at import"):
        load_backend("failing_bench:make", RIG, PLAIN)


def test_simulated_by_name_carries_the_same_drivers():
    station = StationWiring("A", FeedWiring(17), FeedWiring(27), SensorWiring(1, 0x40, 0.005, 20.0))
    rig = RigWiring((station,), dead_man=DeadManWiring(22, sense_pin=23))
    backend = load_backend("simulated", rig, PLAIN)
    sensor = CurrentSensor(station.battery_sensor, backend.i2c(1), backend.clock)
    dead_man = DeadMan(rig.dead_man, backend.pin_factory)
    feeds = FeedPair(
        FeedOutput(station.battery_feed, backend.pin_factory),
        FeedOutput(station.ignition_feed, backend.pin_factory),
    )
    peaks = []
    for on in (False, True):
        feeds.set(battery=on, ignition=on)
        peak_a = 0.0
        for _ in range(400):
            backend.clock.sleep_until(backend.clock.now_s() + 1e-3)
            reading = sensor.read()
            assert reading.flags == OK
            peak_a = max(peak_a, reading.current_a)
            dead_man.toggle()
        peaks.append(peak_a)
    assert dead_man.picked_up
    assert peaks[0] < 0.1 < 1.0 < peaks[1]
    assert feeds.all_off()
    for part in (feeds, dead_man, sensor, backend):
        part.close()


# --- the Raspberry Pi ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (BackendOptions(faults=("dry_gear",)), "Faults can only be set on the simulated bench"),
        (BackendOptions(seed=7), "A seed can only be given to the simulated bench"),
        (BackendOptions(extra={"speed": "9"}), "takes no option speed"),
    ],
)
def test_pi_refuses_what_only_a_simulated_bench_can_do(options, told):
    with pytest.raises(BackendError, match=told):
        load_backend("pi", RIG, options)


def header_label(monkeypatch, label):
    """Let this machine have one GPIO chip, of that label."""
    monkeypatch.setattr(pi_module, "chip_label", lambda path: label)


def chips(folder, *names):
    for name in names:
        (folder / name).touch()
    return folder


def test_not_a_pi(tmp_path):
    with pytest.raises(BackendError, match="Run on a Raspberry Pi, or choose the simulated bench"):
        pi_module.find_header_chip(tmp_path)


def test_a_file_that_is_no_gpio_chip_is_passed_over(tmp_path):
    with pytest.raises(BackendError, match="No GPIO of a Raspberry Pi"):
        pi_module.find_header_chip(chips(tmp_path, "gpiochip0"))


@pytest.mark.parametrize("label", pi_module.HEADER_LABELS)
def test_the_chip_is_found_by_its_label(tmp_path, monkeypatch, label):
    labels = {"gpiochip0": "gpio-brcmstb", "gpiochip10": label, "gpiochip4": "fan"}
    monkeypatch.setattr(pi_module, "chip_label", lambda path: labels[path.name])
    assert pi_module.find_header_chip(chips(tmp_path, *labels)) == (10, label)


def test_a_chip_that_may_not_be_opened_names_the_group(tmp_path, monkeypatch):
    def refuse(path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(pi_module, "chip_label", refuse)
    with pytest.raises(BackendError, match="group gpio"):
        pi_module.find_header_chip(chips(tmp_path, "gpiochip0"))


def test_label_is_asked_of_the_kernel(tmp_path, monkeypatch):
    """struct gpiochip_info and its ioctl number, from linux/gpio.h."""

    class Info(ctypes.Structure):
        _fields_ = (
            ("name", ctypes.c_char * 32),
            ("label", ctypes.c_char * 32),
            ("n", ctypes.c_uint32),
        )

    asked = []

    def ioctl(device, request, argument):
        asked.append((request, len(argument)))
        return bytes(Info(b"gpiochip0", b"pinctrl-rp1", 54))

    monkeypatch.setattr(pi_module.fcntl, "ioctl", ioctl)
    (path,) = chips(tmp_path, "gpiochip0").iterdir()
    assert pi_module.chip_label(path) == "pinctrl-rp1"
    read_direction = 2
    assert asked == [(read_direction << 30 | ctypes.sizeof(Info) << 16 | 0xB4 << 8 | 1, 68)]


def test_lgpio_missing(monkeypatch, tmp_path):
    monkeypatch.setattr(pi_module, "find_header_chip", lambda devices: (0, "pinctrl-rp1"))
    monkeypatch.setenv("LG_WD", str(tmp_path))
    monkeypatch.setitem(sys.modules, "lgpio", None)
    for name in ("gpiozero.pins.lgpio", "drivers.pi_pins"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    with pytest.raises(BackendError, match="apt install python3-lgpio"):
        load_backend("pi", RIG, PLAIN)


def test_the_empty_lgpio_on_the_package_index(monkeypatch, tmp_path):
    """lgpio 0.0.0.2 is an empty module."""
    monkeypatch.setattr(pi_module, "find_header_chip", lambda devices: (0, "pinctrl-rp1"))
    monkeypatch.setenv("LG_WD", str(tmp_path))
    monkeypatch.setitem(sys.modules, "lgpio", types.ModuleType("lgpio"))
    for name in ("gpiozero.pins.lgpio", "drivers.pi_pins"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    with pytest.raises(BackendError, match=r"lgpio>=0\.2\.2"):
        load_backend("pi", RIG, PLAIN)


@pytest.fixture
def on_a_pi(chip, monkeypatch, tmp_path):
    """A machine whose only GPIO chip has the label of a Raspberry Pi 5's header."""
    monkeypatch.setattr(pi_module, "find_header_chip", lambda devices: (4, chip.label))
    monkeypatch.delenv("LG_WD", raising=False)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    yield chip
    os.environ.pop("LG_WD", None)


def test_pi_backend(on_a_pi, tmp_path):
    backend = load_backend("pi", RIG, PLAIN)
    assert os.environ["LG_WD"] == str(tmp_path)
    assert (backend.name, backend.simulated, backend.hands) == ("pi", False, None)
    feed = FeedOutput(OutputWiring(17, active_high=False), backend.pin_factory)
    assert on_a_pi.world.driven[17] == [True]
    feed.make()
    facts = backend.facts()
    assert facts["gpio_chip"] == "gpiochip4"
    assert facts["gpio_label"] == "pinctrl-rp1"
    assert facts["outputs_outlive_program"] in ("yes", "no", "unknown")
    assert backend.serial_port("/dev/ttyUSB0") == "/dev/ttyUSB0"
    feed.close()
    backend.close()
    backend.close()
    assert not on_a_pi.open_files
    assert "board" not in sys.modules


@pytest.mark.parametrize("keeps_outputs", [True, False])
def test_closing_the_backend_under_an_open_feed(on_a_pi, keeps_outputs):
    on_a_pi.keeps_outputs = keeps_outputs
    backend = load_backend("pi", RIG, PLAIN)
    feed = FeedOutput(OutputWiring(17), backend.pin_factory)
    feed.make()
    backend.close()
    assert not on_a_pi.lines[17].out
    with pytest.raises(FeedError):
        feed.close()
    assert not on_a_pi.lines[17].out
    assert on_a_pi.world.driven[17] == [False, True]


def test_chip_that_cannot_be_opened(on_a_pi):
    on_a_pi.denied = True
    with pytest.raises(BackendError, match=r"gpiochip4 cannot be opened.*group gpio"):
        load_backend("pi", RIG, PLAIN)


@pytest.mark.parametrize(("text", "answer"), [("Y\n", "yes"), ("N\n", "no"), (None, "unknown")])
def test_whether_outputs_outlive_the_program(tmp_path, monkeypatch, text, answer):
    path = tmp_path / "persist"
    if text is not None:
        path.write_text(text)
    monkeypatch.setattr(pi_module, "_PERSIST", (str(path),))
    assert pi_module.outputs_outlive_program() == answer


# --- I2C by number -------------------------------------------------------------------------


def test_absent_bus():
    with pytest.raises(BackendError, match=r"I2C bus 97 cannot be opened.*do_i2c 0"):
        pi_module.open_i2c(97)


def test_a_bus_that_may_not_be_opened(monkeypatch):
    from Adafruit_PureIO import smbus

    def refuse(self, number):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(smbus.SMBus, "open", refuse)
    with pytest.raises(BackendError, match="group i2c"):
        pi_module.open_i2c(1)


def test_the_bus_gives_up_soon(bench, monkeypatch):
    """I2C_TIMEOUT (in 10 ms) and I2C_RETRIES, from linux/i2c-dev.h."""
    device = I2CDevice(bench.bus)
    plug_in(device, monkeypatch)
    pi_module.open_i2c(1).deinit()
    assert device.settings == [(I2C_TIMEOUT, 1), (I2C_RETRIES, 0)]


# --- the clock -----------------------------------------------------------------------------


def test_monotonic_clock():
    clock = MonotonicClock()
    start_s = clock.now_s()
    clock.sleep_until(start_s + 0.02)
    assert clock.now_s() >= start_s + 0.02
    clock.sleep_until(start_s)  # has passed


def test_nothing_here_imports_board():
    folder = Path(pi_module.__file__).parent
    for path in folder.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^\s*(import|from)\s+board\b", text, re.MULTILINE)
