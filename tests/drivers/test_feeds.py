"""One contract for feeds and dead-man, on the simulated pins and on the real lgpio library."""

from __future__ import annotations

import importlib
from itertools import pairwise

import pytest
from gpiozero import OutputDevice
from kernel_gpio import PULL_DOWN, PULL_UP

from drivers import DeadManWiring, FeedError, FeedWiring, OutputWiring
from drivers.feeds import DeadMan, FeedOutput, FeedPair

PIN = 17

both_polarities = pytest.mark.parametrize("active_high", [True, False], ids=["high", "low"])


@both_polarities
def test_no_made_level_from_construction_to_close(pins, active_high):
    pins.set_input(PIN, not active_high)  # the external pull holds the relay off
    feed = FeedOutput(OutputWiring(PIN, active_high), pins.factory)
    assert pins.is_driven(PIN)
    assert pins.driven(PIN)
    assert not feed.is_made
    feed.close()
    assert active_high not in pins.driven(PIN)
    assert not pins.is_driven(PIN)


@both_polarities
def test_recorded_states_show_no_blip(simulated_pins, active_high):
    simulated_pins.set_input(PIN, not active_high)
    feed = FeedOutput(OutputWiring(PIN, active_high), simulated_pins.factory)
    states = [state.state for state in simulated_pins.factory.pin(PIN).states]
    assert states == [not active_high]
    feed.close()


def test_an_output_made_the_plain_way_is_seen_to_blip(simulated_pins):
    """That the check above can fail: an active-low relay driven low before it is told high."""
    simulated_pins.set_input(PIN, True)
    pin = simulated_pins.factory.pin(PIN)
    pin.function = "output"
    pin.state = True
    assert [state.state for state in pin.states] == [True, False, True]
    assert simulated_pins.driven(PIN) == [False, True]


def test_gpiozeros_own_lgpio_pin_is_seen_to_blip(chip):
    """And the reason for a pin class of our own."""
    factory = importlib.import_module("gpiozero.pins.lgpio").LGPIOFactory(chip=4)
    device = OutputDevice(PIN, active_high=False, initial_value=False, pin_factory=factory)
    driven = list(chip.world.driven[PIN])
    device.close()
    factory.close()
    assert driven == [False, True]


@both_polarities
def test_make_and_release_are_read_back(pins, active_high):
    feed = FeedOutput(OutputWiring(PIN, active_high), pins.factory)
    feed.make()
    assert feed.is_made
    assert pins.driven(PIN)[-1] is active_high
    feed.make()
    assert feed.is_made
    feed.release()
    assert not feed.is_made
    assert pins.driven(PIN)[-1] is not active_high
    feed.close()


@both_polarities
def test_closing_releases_first_and_can_be_repeated(pins, active_high):
    feed = FeedOutput(OutputWiring(PIN, active_high), pins.factory)
    feed.make()
    feed.close()
    feed.close()
    assert pins.driven(PIN)[-1] is not active_high
    assert not pins.is_driven(PIN)
    assert not feed.is_made
    feed.release()  # nothing to do, and no error
    with pytest.raises(FeedError, match="has been closed"):
        feed.make()


@both_polarities
def test_a_pin_that_does_not_follow_is_an_error(pins, active_high):
    feed = FeedOutput(OutputWiring(PIN, active_high), pins.factory, "battery feed")
    pins.stick(PIN, not active_high)
    with pytest.raises(FeedError, match=rf"battery feed was made but GPIO {PIN} reads back"):
        feed.make()
    pins.stick(PIN, active_high)
    with pytest.raises(FeedError, match=r"was released but .* reads back as made"):
        feed.release()
    with pytest.raises(FeedError):
        feed.close()
    assert not pins.is_driven(PIN)  # given back all the same
    pins.stick(PIN, None)


@both_polarities
def test_a_pin_that_is_made_from_the_start_is_refused(pins, active_high):
    pins.stick(PIN, active_high)
    with pytest.raises(FeedError, match="was released but"):
        FeedOutput(OutputWiring(PIN, active_high), pins.factory)
    assert not pins.is_driven(PIN)
    pins.stick(PIN, None)
    FeedOutput(OutputWiring(PIN, active_high), pins.factory).close()  # it can be had again


def test_a_pin_in_use_or_unknown_is_refused(pins):
    feed = FeedOutput(OutputWiring(PIN), pins.factory)
    with pytest.raises(FeedError, match="in use"):
        FeedOutput(OutputWiring(PIN), pins.factory)
    with pytest.raises(FeedError, match="GPIO 99"):
        FeedOutput(OutputWiring(99), pins.factory)
    feed.close()


def test_a_failing_write_is_told_as_a_sentence(chip, lgpio_pins):
    feed = FeedOutput(OutputWiring(PIN), lgpio_pins.factory)
    chip.failing = True
    with pytest.raises(FeedError, match="cannot be written"):
        feed.make()
    chip.failing = False
    feed.close()


def test_a_pin_that_another_program_holds_is_refused(chip, lgpio_pins):
    chip.lines[PIN].fd = 0
    with pytest.raises(FeedError, match=rf"GPIO {PIN} cannot be had: .*busy.*no other program"):
        FeedOutput(OutputWiring(PIN), lgpio_pins.factory)
    assert not lgpio_pins.is_driven(PIN)


@both_polarities
def test_a_pin_given_back_is_an_input_pulled_to_off(chip, lgpio_pins, active_high):
    FeedOutput(OutputWiring(PIN, active_high), lgpio_pins.factory).close()
    line = chip.lines[PIN]
    assert not line.out
    assert line.bias == (PULL_DOWN if active_high else PULL_UP)


@pytest.mark.parametrize("keeps_outputs", [True, False])
def test_what_is_left_of_a_line_when_its_holder_dies(chip, lgpio_pins, keeps_outputs):
    """The kernel closes the file; Raspberry Pi OS leaves the pin driven: so there is a dead-man."""
    chip.keeps_outputs = keeps_outputs
    feed = FeedOutput(OutputWiring(PIN), lgpio_pins.factory)
    feed.make()
    chip.close(chip.lines[PIN].fd)
    assert lgpio_pins.is_driven(PIN) is keeps_outputs


# --- two feeds -----------------------------------------------------------------------------


@pytest.fixture
def pair(pins):
    made = FeedPair(
        FeedOutput(FeedWiring(17), pins.factory, "battery feed"),
        FeedOutput(FeedWiring(27, active_high=False), pins.factory, "ignition feed"),
    )
    yield made
    for number in (17, 27):
        pins.stick(number, None)
    made.close()


@pytest.mark.parametrize("battery", [True, False])
@pytest.mark.parametrize("ignition", [True, False])
def test_pair_follows(pair, battery, ignition):
    pair.set(battery, ignition)
    assert (pair.battery.is_made, pair.ignition.is_made) == (battery, ignition)
    assert pair.all_off()
    assert not pair.battery.is_made
    assert not pair.ignition.is_made


def test_all_off_releases_the_second_though_the_first_does_not_follow(pair, pins):
    pair.set(True, True)
    pins.stick(17, True)
    assert not pair.all_off()
    assert not pair.ignition.is_made
    pins.stick(17, None)
    assert pair.all_off()


def test_what_can_be_released_is_before_the_error(pair, pins):
    pair.set(True, True)
    pins.stick(17, True)
    with pytest.raises(FeedError, match="battery feed"):
        pair.set(False, False)
    assert not pair.ignition.is_made


def test_nothing_is_made_when_a_release_failed(pair, pins):
    pair.set(True, False)
    pins.stick(17, True)
    with pytest.raises(FeedError):
        pair.set(False, True)
    assert not pair.ignition.is_made


# --- dead-man ------------------------------------------------------------------------------


@both_polarities
def test_every_toggle_is_one_edge(pins, active_high):
    dead_man = DeadMan(DeadManWiring(22, active_high), pins.factory)
    before = len(pins.driven(22))
    for _ in range(10):
        dead_man.toggle()
    levels = pins.driven(22)
    assert len(levels) - before == 10
    assert all(a is not b for a, b in pairwise(levels))
    dead_man.close()
    dead_man.close()
    assert not pins.is_driven(22)
    assert pins.driven(22)[-1] is not active_high


def test_no_edge_at_construction(pins):
    dead_man = DeadMan(DeadManWiring(22), pins.factory)
    assert pins.driven(22) == [False]
    dead_man.close()


def test_sense_contact_closes_to_ground(pins):
    pins.set_input(23, True)
    dead_man = DeadMan(DeadManWiring(22, sense_pin=23), pins.factory)
    assert dead_man.picked_up is False  # dropped out, or a broken wire
    pins.set_input(23, False)
    assert dead_man.picked_up is True
    dead_man.close()
    assert dead_man.picked_up is None


def test_sense_contact_not_wired(pins):
    dead_man = DeadMan(DeadManWiring(22, timeout_s=0.12), pins.factory)
    assert dead_man.picked_up is None
    assert dead_man.timeout_s == 0.12
    dead_man.close()


def test_a_sense_pin_that_cannot_be_had_gives_the_output_back(pins):
    with pytest.raises(FeedError, match="GPIO 99"):
        DeadMan(DeadManWiring(22, sense_pin=99), pins.factory)
    assert not pins.is_driven(22)


def test_toggling_a_closed_dead_man_is_an_error(pins):
    dead_man = DeadMan(DeadManWiring(22), pins.factory)
    dead_man.close()
    with pytest.raises(FeedError):
        dead_man.toggle()
