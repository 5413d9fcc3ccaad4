"""The simulated pins: what they record, and how they are wired to the world."""

from __future__ import annotations

import pytest
from gpiozero.exc import PinSetInput


def states(pin):
    return [state.state for state in pin.states]


def test_the_world_hears_of_every_change_once(simulated_pins):
    pin = simulated_pins.factory.pin(17)
    pin.output_with_state(False)
    for level in (True, True, False, False, True):
        pin.state = level
    assert simulated_pins.driven(17) == [False, True, False, True]
    pin.close()
    assert simulated_pins.world.released == [17]


def test_the_world_is_brought_up_to_date_before_each_change_and_input(simulated_pins):
    world = simulated_pins.world
    pin = simulated_pins.factory.pin(17)
    for action in (
        lambda: pin.output_with_state(False),
        lambda: setattr(pin, "state", True),
        lambda: setattr(pin, "function", "input"),
        lambda: pin.state,
    ):
        before = world.syncs
        action()
        assert world.syncs > before


def test_a_long_run_keeps_the_start_and_the_end(simulated_pins):
    pin = simulated_pins.factory.pin(17)
    simulated_pins.set_input(17, False)
    pin.output_with_state(False)
    for i in range(1, 10_001):
        pin.state = bool(i % 2)
    assert len(pin.states) < 300
    assert pin.changes == 10_000
    assert [s.timestamp for s in pin.states[:64]] == list(range(64))
    assert [s.timestamp for s in pin.states[-64:]] == list(range(9_937, 10_001))
    assert pin.states[-1].state is False


def test_an_input_asks_the_world(simulated_pins):
    pin = simulated_pins.factory.pin(5)
    for level in (True, False, True):
        simulated_pins.set_input(5, level)
        assert pin.state is level
    with pytest.raises(PinSetInput):
        pin.state = True


def test_a_pin_given_back_falls_to_its_external_pull(simulated_pins):
    simulated_pins.set_input(17, True)
    pin = simulated_pins.factory.pin(17)
    pin.output_with_state(False)
    pin.close()
    assert states(pin) == [True, False, True]


def test_a_stuck_pin_reads_back_what_it_is_stuck_at(simulated_pins):
    pin = simulated_pins.factory.pin(17)
    pin.output_with_state(False)
    simulated_pins.stick(17, True)
    assert simulated_pins.driven(17)[-1] is True  # the relay board sees it too
    pin.state = True
    pin.state = False
    assert pin.state is True
    assert simulated_pins.driven(17)[-1] is True
    simulated_pins.stick(17, None)
    assert pin.state is False
    assert simulated_pins.driven(17)[-1] is False
