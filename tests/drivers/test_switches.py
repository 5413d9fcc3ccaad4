"""Switch contacts to ground, on every kind of pins."""

from __future__ import annotations

import pytest
from kernel_gpio import PULL_UP

from drivers import BackendError, InputWiring
from drivers.switches import Switch

HIGH, LOW = True, False  # an open contact, and one that is closed to ground


@pytest.mark.parametrize(
    ("normally_closed", "level", "actuated"),
    [(True, LOW, False), (True, HIGH, True), (False, HIGH, False), (False, LOW, True)],
)
def test_contacts(pins, normally_closed, level, actuated):
    switch = Switch(InputWiring(5, normally_closed), pins.factory)
    pins.set_input(5, level)
    assert switch.actuated is actuated
    switch.close()
    switch.close()


def test_a_broken_wire_of_a_normally_closed_contact_counts_as_actuated(pins):
    switch = Switch(InputWiring(5, normally_closed=True), pins.factory)
    pins.set_input(5, HIGH)  # only the pull-up is left
    assert switch.actuated
    switch.close()


@pytest.mark.parametrize("normally_closed", [True, False])
def test_an_unreadable_switch_is_on_its_safe_side(pins, normally_closed):
    switch = Switch(InputWiring(5, normally_closed), pins.factory)
    switch.close()
    assert switch.actuated is normally_closed


def test_a_pin_that_cannot_be_had(pins):
    with pytest.raises(BackendError, match="emergency stop on GPIO 99"):
        Switch(InputWiring(99), pins.factory, "emergency stop")


def test_the_pin_is_pulled_up(chip, lgpio_pins):
    switch = Switch(InputWiring(5), lgpio_pins.factory)
    assert lgpio_pins.factory.pin(5).pull == "up"
    assert chip.lines[5].bias == PULL_UP
    switch.close()
