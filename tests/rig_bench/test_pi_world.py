"""A plan on the `pi` backend and on the simulated one: the same world, so the same answer.

The `pi` backend stands on gpiozero's lgpio factory with the real lgpio library, and on Blinka and
PureIO; below their system calls are the simulated bench's pins' world and its I2C bus.
"""

from __future__ import annotations

import importlib
from dataclasses import replace

import kernel_gpio
import kernel_i2c
import pytest
from bench_runs import HALF_TURNS, Ran, Watcher, make_order, make_plan
from side_by_side import Side

from drivers import BackendOptions
from drivers import pi as pi_module
from drivers.backends import load_backend
from drivers.simulated.backend import SimulatedBackend
from rig.bench.events import StepEnded
from rig.bench.keeper import DirectKeeper
from rig.bench.session import Session
from rig.records.store import Store

PLAN = make_plan('[[step]]\nkind = "zero"\n', HALF_TURNS)


def in_world(monkeypatch, world, wiring):
    """Return the chip, the I2C device and the `pi` backend on them, in a simulated world."""
    chip = kernel_gpio.GpioChip(world.world, label="pinctrl-bcm2711")
    kernel_gpio.plug_in(chip)
    device = kernel_i2c.I2CDevice(world.i2c(1))
    kernel_i2c.plug_in(device, monkeypatch)
    monkeypatch.setattr(pi_module, "MonotonicClock", lambda: world.clock)
    return chip, device, load_backend("pi", wiring, BackendOptions())


@pytest.fixture
def a_pi(monkeypatch, tmp_path):
    """Have the library believe that it runs on a Raspberry Pi."""
    monkeypatch.setenv("LG_WD", str(tmp_path))
    pytest.importorskip("lgpio", reason="no lgpio wheel for this Python or machine")
    local = importlib.import_module("gpiozero.pins.local")
    monkeypatch.setattr(local, "get_pi_revision", lambda: 0xC03114)
    monkeypatch.setattr(pi_module, "find_header_chip", lambda devices: (0, "pinctrl-bcm2711"))


@pytest.fixture
def on_a_pi(a_pi, monkeypatch, tmp_path):
    """Run an order on the `pi` backend; its clock is the world's, so that it takes no time."""

    def run(order, watcher):
        world = SimulatedBackend(order.wiring(), order.options)
        chip, device, backend = in_world(monkeypatch, world, order.wiring())
        try:
            with Store.open(tmp_path / "pi.sqlite") as store:
                ended = Session(order, backend, DirectKeeper(store), watcher).run()
        finally:
            backend.close()
            kernel_gpio.unplug()
            world.close()
        return Ran(ended, watcher, world, tmp_path / "pi.sqlite"), chip, device

    return run


def half_turns(ran):
    return [turn for step in ran.watcher.of(StepEnded) for turn in step.half_turns]


@pytest.mark.parametrize(
    "faults",
    [
        (),
        ("jammed@1.5",),
        ("bus-hang@1.5",),  # ETIMEDOUT from every transfer
        ("sensor-absent@1.5",),  # EREMOTEIO
        ("feed-relay-welded@1.5",),
    ],
    ids=lambda faults: " ".join(faults) or "sound",
)
def test_the_same_world_gets_the_same_answer(carry_out, on_a_pi, faults):
    order = make_order(PLAN, faults=faults)
    simulated = carry_out(order)
    real, chip, device = on_a_pi(replace(order, backend="pi"), Watcher())
    assert _end(real) == _end(simulated)
    assert half_turns(real) == half_turns(simulated)
    assert [_seen(s) for s in real.watcher.samples] == [_seen(s) for s in simulated.watcher.samples]
    assert not any(line.out for line in chip.lines)  # given back
    assert not chip.open_files
    assert device.transfers


def _end(ran):
    ended = ran.ended
    return ended.state, ended.judgement, ended.feeds_off, ended.note


def _seen(sample):
    return repr(sample)  # NaN too


@pytest.mark.parametrize("faults", [(), ("B:jammed@2", "A:sensor-absent@3")])
def test_two_stations_at_once_get_the_same_answers_too(a_pi, monkeypatch, tmp_path, faults):
    simulated = Side(tmp_path / "simulated.sqlite", faults=faults).run()

    def pi_in(world, wiring):
        for name in "AB":  # nobody is there to do it when the jobs begin
            world.hands.do("fit_unit", {"station": name, "serial": f"LM-12-{name}"})
        return in_world(monkeypatch, world, wiring)[2]

    real = Side(tmp_path / "real.sqlite", faults=faults, driven_by=pi_in)
    try:
        real.run()
    finally:
        kernel_gpio.unplug()
    for name in "AB":
        assert real.verdict(name) == simulated.verdict(name)
        seen = [each.watchers[name].samples for each in (real, simulated)]
        assert [_seen(s) for s in seen[0]] == [_seen(s) for s in seen[1]]
    assert real.diary.edges == simulated.diary.edges
    assert real.diary.all_off
