"""A world in a process of its own: the drivers unchanged across its socket, and what it does when
its controller, or the world itself, goes away."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from small_rig import RIG
from worlds import ROOT, WorldProcess, wait_until

from drivers import (
    LOST,
    OK,
    BackendError,
    BackendOptions,
    FeedError,
    FeedWiring,
    SensorWiring,
    SupplyWiring,
)
from drivers.current import CurrentSensor
from drivers.feeds import DeadMan, FeedOutput
from drivers.simulated.apart import client as client_module
from drivers.simulated.apart import messages
from drivers.simulated.apart.observer import Observer
from drivers.simulated.apart.plain import as_wired, from_plain, to_plain
from drivers.simulated.apart.server import WorldServer
from drivers.supply import BenchSupply
from drivers.switches import Switch

STATION = RIG.stations[0]
CONTROLLER = Path(__file__).parents[2] / "support" / "dying_controller.py"
HELD_S = RIG.dead_man.timeout_s + 0.05  # the timer's longest time and a relay's release


@pytest.fixture
def folder(tmp_path_factory):
    """A folder with a path short enough for a socket."""
    return tmp_path_factory.mktemp("w")


@pytest.fixture
def serve(folder):
    """Serve worlds in threads of this process."""
    served = []

    def start(**options):
        server = WorldServer(folder, **options)
        thread = threading.Thread(target=server.serve)
        thread.start()
        served.append((server, thread))
        return server

    yield start
    for server, thread in served:
        server.stop()
        thread.join()
        server.close()


@pytest.fixture
def connect(folder):
    """Take the pins of the world in ``folder``."""
    from drivers.simulated.apart import backend

    taken = []

    def take(wiring=RIG, seed=1, faults=(), **extra):
        options = BackendOptions(seed, tuple(faults), extra={"world": str(folder), **extra})
        taken.append(backend(wiring, options))
        return taken[-1]

    yield take
    for one in taken:
        one.close()


# --- the drivers, unchanged ----------------------------------------------------------------


def test_the_same_drivers_feed_a_half_turn_and_see_it(serve, connect, folder):
    serve()
    bench_supply = SupplyWiring("bench supply")
    world = connect(replace(RIG, supply=bench_supply), spread="0")
    clock = world.clock
    battery = FeedOutput(STATION.battery_feed, world.pin_factory)
    ignition = FeedOutput(STATION.ignition_feed, world.pin_factory)
    dead_man = DeadMan(RIG.dead_man, world.pin_factory)
    sensor = CurrentSensor(STATION.battery_sensor, world.i2c(1), clock)
    at_run = Switch(STATION.at_run, world.pin_factory)
    supply = BenchSupply(bench_supply, world.serial_port("bench supply"))
    supply.set_voltage(12.0)
    supply.set_current_limit(30.0)
    supply.output(True)
    assert not at_run.actuated

    def run(seconds):
        readings = []
        now_s = end_s = clock.now_s()
        while now_s < end_s + seconds:
            now_s += 0.004
            clock.sleep_until(now_s)
            readings.append(sensor.read())
            dead_man.toggle()
        return readings

    run(0.2)
    battery.make()
    ignition.make()
    turning = run(1.2)
    assert all(reading.flags == OK for reading in turning)
    assert max(reading.current_a for reading in turning) > 5.0  # the inrush
    assert turning[-1].current_a == pytest.approx(0.0, abs=0.02)  # parked
    assert at_run.actuated
    assert dead_man.picked_up
    assert turning[-1].time_s == pytest.approx(clock.now_s(), abs=0.5)
    with Observer(folder) as observer:
        assert observer.state()["on"]["one live"]
        supply.close()
        world.close()
        # A controller that ends in order gives its pins back, and their relays release.
        state = wait_until(lambda: not (now := observer.state())["on"]["one battery"] and now)
    assert not state["on"]["controller"]
    assert state["angle_deg"]["one"] == pytest.approx(180.0, abs=8.0)


def test_an_edge_acts_when_it_was_sent_not_when_it_was_read(serve, connect, folder):
    """A world kept from its processor for longer than the dead-man's time loses no edge."""
    server = serve()
    world = connect(spread="0")
    dead_man = DeadMan(RIG.dead_man, world.pin_factory)
    with Observer(folder) as observer:
        with server._backend.world.lock:  # the server stands still at its next look
            end_s = time.monotonic() + 0.5
            while time.monotonic() < end_s:
                time.sleep(0.01)
                dead_man.toggle()
        assert dead_man.picked_up
        contacts = [entry for entry in observer.news() if entry.what == "master"]
    closed_s = contacts[0].at_s
    assert closed_s < end_s - 0.3  # in the middle of what it had not looked at
    assert all(entry.at_s < closed_s + 0.02 for entry in contacts)  # its bounce, no drop-out


def test_a_read_output_is_what_the_world_has_at_the_pin(serve, connect):
    server = serve()
    world = connect()
    feed = FeedOutput(STATION.battery_feed, world.pin_factory)
    server._backend.pin_factory.stick(17, False)
    with pytest.raises(FeedError, match="reads back as released"):
        feed.make()


def test_a_chip_that_does_not_answer_is_told_as_linux_tells_it(serve, connect):
    serve()
    bus = connect().i2c(1)
    with pytest.raises(OSError, match="Remote I/O") as error:
        bus.writeto(0x44, b"\x00")
    assert error.value.errno == 121


def test_faults_and_options_of_the_first_controller_make_the_world(serve, connect, folder):
    serve()
    world = connect(faults=["sensor-offset=2"], angle_deg="90")
    sensor = CurrentSensor(STATION.battery_sensor, world.i2c(1), world.clock)
    assert sensor.read().current_a == pytest.approx(2.0, abs=0.05)
    with Observer(folder) as observer:
        assert observer.state()["angle_deg"]["one"] == pytest.approx(90.0, abs=1.0)
    assert world.facts()["faults now"] == "sensor-offset=2"
    assert world.hands.do("clear_fault", {"name": "sensor-offset"}) == "fault sensor-offset is gone"
    assert world.facts()["faults now"] == "none"
    with pytest.raises(ValueError, match="cannot do 'sing'"):
        world.hands.do("sing", {})


# --- whose pins they are -------------------------------------------------------------------


def test_a_second_controller_is_refused_until_the_first_has_gone(serve, connect):
    serve()
    first = connect()
    with pytest.raises(BackendError, match=f"taken by process {os.getpid()}"):
        connect()
    first.close()
    assert connect().clock.now_s() > 0.0


def test_the_next_controller_finds_the_world_as_it_is(serve, connect, folder):
    serve()
    first = connect(seed=5, angle_deg="20")
    first.hands.do("press_emergency_stop", {})
    first.close()
    second = connect()  # asks for nothing
    assert Switch(RIG.emergency_stop, second.pin_factory).actuated
    assert "seed" in second.facts()
    assert second.facts()["seed"] == "5"
    second.close()
    connect(seed=5, angle_deg="20").close()  # asks for the same
    with pytest.raises(
        BackendError, match=r"begun with seed 5, no faults, angle_deg 20, and seed 6"
    ):
        connect(seed=6)


def test_another_wiring_is_refused_and_another_calibration_is_not(serve, connect):
    serve()
    connect().close()
    sensor = replace(STATION.battery_sensor, max_a=10.0, gain=1.01, offset_a=0.3, bus_every=5)
    connect(replace(RIG, stations=(replace(STATION, battery_sensor=sensor),))).close()
    other = replace(STATION, battery_feed=FeedWiring(18))
    with pytest.raises(BackendError, match="wired otherwise"):
        connect(replace(RIG, stations=(other,)))


@pytest.mark.parametrize(
    "wiring", [RIG, replace(RIG, supply=SupplyWiring("x", max_v=15), emergency_stop=None)]
)
def test_a_wiring_crosses_as_json(wiring):
    assert from_plain(json.loads(json.dumps(to_plain(wiring)))) == wiring


@pytest.mark.parametrize(
    "spoil",
    [
        lambda plain: plain.pop("stations"),
        lambda plain: plain.update(colour="red"),
        lambda plain: plain["dead_man"].update(pin="22"),
        lambda plain: plain["stations"][0].update(battery_feed=None),
    ],
)
def test_what_is_no_wiring_is_refused(spoil):
    plain = json.loads(json.dumps(to_plain(RIG)))
    spoil(plain)
    with pytest.raises(ValueError, match="not a rig's wiring"):
        from_plain(plain)


def test_what_is_soldered_counts_as_wired():
    finer = replace(STATION, battery_sensor=SensorWiring(1, 0x40, 0.002, 25.0))
    assert as_wired(replace(RIG, stations=(finer,))) != as_wired(RIG)


def test_only_its_owner_can_reach_a_world(serve, folder):
    server = serve()
    assert stat.S_IMODE(server.path.stat().st_mode) == 0o600
    new = WorldServer(folder / "n")
    new.close()
    assert stat.S_IMODE((folder / "n").stat().st_mode) == 0o700


def test_two_worlds_do_not_share_a_folder_and_a_dead_one_does_not_hold_it(serve, folder):
    with messages.new_socket() as dead:
        dead.bind(str(messages.socket_path(folder)))
    serve()
    with pytest.raises(BackendError, match="Another world lives in"):
        WorldServer(folder)


def test_no_world_is_told_with_how_to_start_one(connect, monkeypatch):
    with pytest.raises(BackendError, match=r"Start one with `python -m drivers\.simulated\.apart"):
        connect()
    from drivers.simulated.apart import backend

    with pytest.raises(BackendError, match="Which world"):
        backend(RIG, BackendOptions())
    monkeypatch.setenv("HALFTURN_WORLD", "/nowhere/at/all")
    with pytest.raises(BackendError, match="no world in /nowhere/at/all"):
        backend(RIG, BackendOptions())


def test_bad_options_of_the_first_controller_are_told(serve, connect):
    serve()
    with pytest.raises(BackendError, match="no option 'colour'"):
        connect(colour="red")
    connect()  # the world was not spoilt


@pytest.mark.parametrize(
    "message",
    [
        b"x",
        b"\x63" + bytes(40),
        messages.PIN.pack(messages.DRIVE, 0.0, 17, 1),  # from somebody without the pins
        messages.HEAD.pack(messages.ORDER, 0.0) + b'{"do": "explode"}',
        messages.HEAD.pack(messages.ORDER, 0.0) + b"[]",
        messages.HEAD.pack(messages.ORDER, 0.0) + b'{"do": "take", "pid": 1}',
    ],
)
def test_a_stranger_is_cut_off_and_the_world_goes_on(serve, connect, folder, message, capsys):
    serve()
    connect().close()
    with messages.new_socket() as stranger:
        stranger.connect(str(messages.socket_path(folder)))
        stranger.settimeout(10.0)
        stranger.send(message)
        assert stranger.recv(100) == b""
    with Observer(folder) as observer:
        assert not observer.state()["on"]["one battery"]
    assert "was cut off" in capsys.readouterr().err


# --- a controller that dies ----------------------------------------------------------------


@contextmanager
def dying(world, number):
    """Let a controller feed and then be sent signal ``number``.

    Yields when that was, and when it surely did nothing any more, s: on a busy machine a system
    call that it was in may be carried out in between.
    """
    process = subprocess.Popen(
        [sys.executable, str(CONTROLLER), str(world.folder)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": f"{ROOT}:{CONTROLLER.parent}"},
    )
    try:
        assert process.stdout.readline() == b"feeding\n"
        with Observer(world.folder) as observer:
            wait_until(lambda: observer.state()["on"]["one live"])
        sent_s = time.monotonic()
        process.send_signal(number)
        if number == signal.SIGKILL:
            process.wait()
        else:
            os.waitpid(process.pid, os.WUNTRACED)
        yield sent_s, time.monotonic()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def went_off(news, what):
    """Return when ``what`` went off for good, s."""
    last = [entry for entry in news if entry.what == what][-1]
    assert not last.on
    return last.at_s


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
@pytest.mark.parametrize("strict", [False, True])
def test_a_controller_that_dies_or_hangs_loses_its_feeds(number, strict):
    with (
        WorldProcess(*["--strict-gpiod"] * strict) as world,
        dying(world, number) as (sent_s, still_s),
        Observer(world.folder) as observer,
    ):
        wait_until(lambda: not observer.state()["on"]["master"])
        state, news = observer.state(), observer.news()
    released = strict and number == signal.SIGKILL  # a hang releases nothing
    assert state["on"]["one battery"] is not released
    assert not state["on"]["one live"]
    assert went_off(news, "one live") - still_s < HELD_S
    assert went_off(news, "master") - still_s < HELD_S
    # Not sooner than the timer holds: it is the timer that dropped it, nothing else.
    assert went_off(news, "master") - sent_s > RIG.dead_man.timeout_s / 2
    if released:  # as soon as the world sees it gone, not by the timer
        after_s = went_off(news, "one battery") - went_off(news, "controller")
        assert after_s < RIG.dead_man.timeout_s / 2


def test_the_next_controller_takes_a_feed_off_that_was_left_on():
    from drivers.simulated.apart import backend

    with (
        WorldProcess() as world,
        dying(world, signal.SIGKILL),
        Observer(world.folder) as observer,
    ):
        assert observer.state()["on"]["one battery"]
        found = backend(RIG, BackendOptions(extra={"world": str(world.folder)}))
        FeedOutput(STATION.battery_feed, found.pin_factory)
        wait_until(lambda: not observer.state()["on"]["one battery"])
        found.close()


# --- a world that dies ---------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_world_that_dies_or_hangs_is_lost_samples_and_sentences(number, monkeypatch):
    from drivers.simulated.apart import backend

    monkeypatch.setattr(client_module, "ANSWER_S", 0.3)
    with WorldProcess() as process:
        world = backend(RIG, BackendOptions(extra={"world": str(process.folder)}))
        feed = FeedOutput(STATION.battery_feed, world.pin_factory)
        dead_man = DeadMan(RIG.dead_man, world.pin_factory)
        sensor = CurrentSensor(STATION.battery_sensor, world.i2c(1), world.clock)
        stop = Switch(RIG.emergency_stop, world.pin_factory)
        assert sensor.read().flags == OK
        process.process.send_signal(number)
        if number == signal.SIGKILL:
            process.process.wait()
        assert [sensor.read().flags for _ in range(3)] == [LOST] * 3
        told = "has gone" if number == signal.SIGKILL else "does not answer within"
        assert told in sensor.last_error
        with pytest.raises(FeedError, match=told):
            feed.make()
        with pytest.raises(FeedError, match=told):
            dead_man.toggle()
        assert stop.actuated  # unreadable, so the safe side
        with pytest.raises(BackendError, match=told):
            world.hands.do("inspect", {"check": "housing"})
        with pytest.raises(BackendError, match=told):
            world.facts()
        with pytest.raises(FeedError, match=told):
            feed.close()
        stop.close()
        world.close()


def test_a_world_ends_with_whoever_started_it():
    with WorldProcess() as world:
        assert messages.socket_path(world.folder).exists()
        world.process.stdin.close()
        assert world.process.wait(60) == 0
        assert not messages.socket_path(world.folder).exists()
