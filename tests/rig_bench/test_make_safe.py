"""Whatever a bench that died left on is taken off, read back, and told if it does not come off."""

import pytest
from bench_runs import feeds_are_on, make_settings

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.bench.errors import RefusedError
from rig.bench.make_safe import make_safe

SETTINGS = make_settings()
WIRING = SETTINGS.wiring(20.0, SETTINGS.stations[0].name)


@pytest.fixture
def backend():
    backend = SimulatedBackend(WIRING, BackendOptions())
    yield backend
    backend.close()


def test_outputs_left_driven_are_off_and_so_is_the_supply(backend):
    station = backend.world.stations[SETTINGS.stations[0].name]
    backend.world.supply.output_on = True
    for feed in (station.wiring.battery_feed, station.wiring.ignition_feed):
        backend.world.output_changed(feed.pin, feed.active_high)  # as a killed program leaves it
    backend.clock.sleep_until(0.1)
    backend.world.let_happen()
    assert station.battery_relay.closed
    assert station.ignition_relay.closed
    told = make_safe(backend, WIRING)
    assert told == "2 feeds read back off, the supply's output is off"
    backend.clock.sleep_until(0.2)
    backend.world.let_happen()
    assert not station.battery_relay.closed
    assert not station.ignition_relay.closed
    assert not backend.world.supply.output_on
    assert not feeds_are_on(backend, SETTINGS)


def test_one_that_does_not_come_off_is_told_and_the_other_is_off(backend):
    station = backend.world.stations[SETTINGS.stations[0].name]
    battery, ignition = station.wiring.battery_feed, station.wiring.ignition_feed
    backend.pin_factory.stick(battery.pin, battery.active_high)
    with pytest.raises(RefusedError, match=r"battery feed of A.*reads back as made.*Pull the sup"):
        make_safe(backend, WIRING)
    pin = backend.pin_factory.pin(ignition.pin)
    assert not (pin.function == "output" and bool(pin.state) == ignition.active_high)


def test_a_supply_that_does_not_answer_is_told(backend):
    backend.serial_port(WIRING.supply.port)
    backend._port.silent = True
    with pytest.raises(RefusedError, match="supply"):
        make_safe(backend, WIRING)
