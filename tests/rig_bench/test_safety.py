"""Feeds off at every end, and within two samples of what shows it."""

import re

import pytest
from bench_runs import HALF_TURNS, Watcher, feeds_are_on, make_order, make_plan, make_settings

from rig.bench.errors import RefusedError, Stopped
from rig.bench.events import Noted
from rig.records.model import RunState, StepState

SETTINGS = make_settings(sample_hz=1000, supply=False)
DEAD_MAN_PIN = SETTINGS.dead_man.pin


def meddle_when_turning(act):
    """Return a watcher that calls ``act(backend)`` once, when the motor runs."""
    state = {}

    def at_sample(n, sample):
        if "done" not in state and sample.ignition_feed and sample.current_a > 1.0:
            state["done"] = n
            act(state["backend"])

    watcher = Watcher(at_sample)
    watcher.state = state
    return watcher


def know(backend, watcher):
    watcher.state["backend"] = backend


def press(backend):
    backend.hands.do("press_emergency_stop", {})


def test_emergency_stop_takes_the_feeds_off_within_two_samples(carry_out):
    watcher = meddle_when_turning(press)
    ran = carry_out(make_order(settings=SETTINGS), watcher, before=know)
    assert ran.ended.state is RunState.INTERRUPTED
    assert not feeds_are_on(ran.backend, SETTINGS)
    # Samples taken after the one at which the button was pressed: the one that shows it, no more.
    pressed_at = watcher.state["done"]
    assert len(watcher.samples) - pressed_at <= 2
    assert "Emergency stop" in ran.ended.note
    assert ran.verdict == "retest"
    step = ran.record.steps[-1]
    assert step.state is StepState.CUT_SHORT


def test_emergency_stop_pressed_before_the_start_refuses_it(carry_out):
    def before(backend, watcher):
        press(backend)

    watcher = Watcher()
    ran = carry_out(make_order(settings=SETTINGS), watcher, before=before)
    assert ran.ended.state is RunState.INTERRUPTED
    assert not any(s.battery_feed or s.ignition_feed for s in watcher.samples)


def test_a_sensor_lost_in_mid_turn_ends_with_feeds_off_within_its_three_samples(carry_out):
    from drivers.simulated.faults import parse_fault

    watcher = meddle_when_turning(
        lambda backend: backend.world.apply_fault(parse_fault("sensor-absent"))
    )
    ran = carry_out(make_order(settings=SETTINGS), watcher, before=know)
    assert ran.ended.state is RunState.INTERRUPTED
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert len(watcher.samples) - watcher.state["done"] <= 4
    assert "sensor" in ran.ended.note


@pytest.mark.parametrize(
    ("error", "noted"),
    [(ZeroDivisionError("a fault"), "program failed"), (MemoryError(), "ran out of memory")],
)
def test_an_exception_in_the_program_still_takes_the_feeds_off_and_is_recorded(
    carry_out, records, error, noted
):
    def fail(n, sample):
        if sample.ignition_feed:
            raise error

    backends = []
    with pytest.raises(type(error)):
        carry_out(
            make_order(settings=SETTINGS), Watcher(fail), before=lambda b, w: backends.append(b)
        )
    assert not feeds_are_on(backends[0], SETTINGS)
    from rig.records.store import Store

    with Store.open(records) as store:
        (summary,) = store.runs()
        run = store.run(summary.run_id)
    assert run.end.state is RunState.INTERRUPTED
    assert run.end.feeds_off
    assert noted in run.end.note


@pytest.mark.parametrize(("held_up", "proved"), [(1, True), (2, True), (3, False)])
def test_a_drop_out_while_the_machine_stood_still_proves_nothing(carry_out, held_up, proved):
    """Stopped just as the dead-man is proved, a program sees the relay dropped, but not when."""
    state = {"left": held_up, "made": 0}

    def stand_still(n, sample):
        edges = state["backend"].pin_factory.pin(DEAD_MAN_PIN).changes
        stopped, state["edges"] = edges == state.get("edges"), edges
        state["made"] = state["made"] + 1 if stopped and sample.master else 0
        if state["made"] == 10 and state["left"]:
            state["left"] -= 1
            clock = state["backend"].clock
            clock.sleep_until(clock.now_s() + 0.4)

    ran = carry_out(
        make_order(settings=SETTINGS),
        Watcher(stand_still),
        before=lambda backend, _: state.update(backend=backend),
    )
    assert state["left"] == 0
    if not proved:
        assert "was held up 3 times" in ran.ended.note
        return
    assert ran.ended.state is RunState.FINISHED
    (told,) = [note.text for note in ran.watcher.of(Noted) if note.kind == "dead_man"]
    assert int(re.search(r"dropped (\d+) ms", told)[1]) <= 200


@pytest.mark.parametrize("by_operator", [True, False])
def test_a_stop_ends_the_run_where_it_is(carry_out, by_operator):
    asked = []

    def listen():
        asked.append(1)
        if len(asked) == 300:
            raise Stopped("Stopped: enough.", by_operator=by_operator)

    watcher = Watcher(listen=listen)
    ran = carry_out(make_order(make_plan(HALF_TURNS * 3), settings=SETTINGS), watcher)
    expected = RunState.STOPPED if by_operator else RunState.INTERRUPTED
    assert ran.ended.state is expected
    assert ran.verdict == "retest"
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert ran.record.end.note == "Stopped: enough."


def test_the_dead_man_is_proved_before_anything_is_fed(carry_out):
    ran = carry_out(make_order(settings=SETTINGS))
    (proof,) = [e for e in ran.watcher.of(Noted) if e.kind == "dead_man"]
    assert "dead-man proved" in proof.text
    fed = next(s.time_s for s in ran.watcher.samples if s.battery_feed)
    assert proof.time_s < fed


def test_a_master_relay_that_does_not_drop_refuses_the_start(carry_out):
    def weld(backend, watcher):
        # The sense contact says picked up for ever, as a welded master relay would.
        pin = backend.pin_factory.pin(SETTINGS.dead_man.sense_pin)
        world_level = backend.world.input_level
        backend.world.input_level = lambda number: (
            False if number == SETTINGS.dead_man.sense_pin else world_level(number)
        )
        assert pin is not None

    watcher = Watcher()
    ran = carry_out(make_order(settings=SETTINGS), watcher, before=weld)
    assert ran.ended.state is RunState.INTERRUPTED
    assert "still made" in ran.ended.note
    assert not any(s.battery_feed or s.ignition_feed for s in watcher.samples)


def test_a_controller_that_freezes_loses_its_feeds_to_the_hardware_timer(carry_out):
    """The simulated rig's own timer: frozen in mid-turn, the unit's supply goes within its time."""
    seen = {}

    def freeze(n, sample):
        if "closed" not in seen and sample.ignition_feed and sample.current_a > 1.0:
            backend = seen["backend"]
            now_s = backend.clock.now_s()
            # The program does nothing for 0.3 s: no toggling, no release of any feed.
            backend.clock.sleep_until(now_s + 0.3)
            assert feeds_are_on(backend, SETTINGS)
            seen["sense"] = backend.world.input_level(SETTINGS.dead_man.sense_pin)
            seen["closed"] = backend.world.master.closed

    watcher = Watcher(freeze)
    ran = carry_out(
        make_order(settings=SETTINGS), watcher, before=lambda b, w: seen.update(backend=b)
    )
    # The sense contact closes to ground while the master relay is made: high now means dropped.
    assert seen == {"backend": ran.backend, "closed": False, "sense": True}
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert ran.ended.state is RunState.INTERRUPTED


def test_the_battery_feed_is_refused_without_consent(carry_out):
    from drivers.simulated.backend import SimulatedBackend
    from rig.bench.guard import Guard
    from rig.bench.loop import ControlLoop
    from rig.bench.opening import guard_limits
    from rig.bench.requests import BATTERY
    from rig.bench.station import Station

    order = make_order(settings=SETTINGS)
    backend = SimulatedBackend(order.wiring(), order.options)
    wiring = order.wiring()
    station = Station(backend, wiring, wiring.stations[0])

    def nothing(*_):
        return None

    loop = ControlLoop(
        station,
        backend.clock,
        Guard(guard_limits(order.plan)),
        0.001,
        listen=nothing,
        watch=nothing,
        ask=nothing,
        set_supply=nothing,
        news=nothing,
        on_trip=nothing,
    )

    def drive():
        yield BATTERY

    with pytest.raises(RefusedError, match="consent"):
        loop.run_step(drive())
    loop.consent = True
    with pytest.raises(RefusedError, match="running step"):
        loop.cycle(BATTERY)
    assert not feeds_are_on(backend, SETTINGS)
    station.close()
    backend.close()


@pytest.mark.parametrize("active_high", [True, False])
def test_no_feed_output_is_ever_made_at_start_or_by_closing(active_high):
    from drivers.simulated.backend import SimulatedBackend
    from rig.bench.station import Station

    station = SETTINGS.stations[0]
    feeds = {
        name: getattr(station, name).model_copy(update={"active_high": active_high})
        for name in ("battery_feed", "ignition_feed")
    }
    settings = SETTINGS.model_copy(update={"stations": (station.model_copy(update=feeds),)})
    order = make_order(settings=settings)
    backend = SimulatedBackend(order.wiring(), order.options)
    opened = Station(backend, order.wiring(), order.wiring().stations[0])
    states = [backend.pin_factory.pin(feed.pin).states for feed in feeds.values()]
    opened.close()
    opened.close()
    for pin_states in states:
        # The first state is the input's, before our output claimed the line.
        driven = [state.state for state in pin_states[1:]]
        assert (active_high in driven) is False
    backend.close()


def test_a_station_that_cannot_be_opened_whole_leaves_nothing_claimed():
    from drivers import BackendOptions, SensorError
    from drivers.simulated.backend import SimulatedBackend
    from rig.bench.station import Station

    order = make_order(settings=SETTINGS)
    backend = SimulatedBackend(order.wiring(), BackendOptions(faults=("sensor-absent",)))
    with pytest.raises(SensorError, match="0x40"):
        Station(backend, order.wiring(), order.wiring().stations[0])
    assert not feeds_are_on(backend, SETTINGS)
    backend.close()


def test_a_feed_output_that_stays_made_is_found_and_never_survived(carry_out):
    """The ignition output sticks: no current shows it, only the reading back."""

    def stick(n, sample):
        if sample.ignition_feed:
            seen["backend"].pin_factory.stick(SETTINGS.stations[0].ignition_feed.pin, True)

    seen = {}
    ran = carry_out(
        make_order(settings=SETTINGS), Watcher(stick), before=lambda b, w: seen.update(backend=b)
    )
    assert ran.ended.state is RunState.INTERRUPTED
    assert ran.ended.feeds_off is False
    assert ran.verdict == "retest"


def test_the_master_relay_dropping_in_mid_run_ends_it(carry_out):
    def unplug(n, sample):
        if sample.ignition_feed and "done" not in seen:
            seen["done"] = True
            world = seen["backend"].world
            level = world.input_level
            sense = SETTINGS.dead_man.sense_pin
            world.input_level = lambda pin: True if pin == sense else level(pin)

    seen = {}
    ran = carry_out(
        make_order(settings=SETTINGS), Watcher(unplug), before=lambda b, w: seen.update(backend=b)
    )
    assert ran.ended.state is RunState.INTERRUPTED
    assert "master relay dropped" in ran.ended.note


def test_people_are_asked_only_with_the_feeds_released(carry_out):
    states = []

    class Looking(Watcher):
        def ask(self, ask, wait):
            last = self.samples[-1]
            states.append((ask.action, last.battery_feed or last.ignition_feed, last.voltage_v))
            return super().ask(ask, wait)

    watcher = Looking(answers={"fit_known_good_relay": "done", "fit_own_relay": "done"})
    swap = '[[step]]\nkind = "relay_swap"\ncount = 2\npause_s = 0.4\n'
    carry_out(make_order(make_plan(swap), settings=SETTINGS), watcher, hands=False)
    assert [action for action, _, _ in states] == ["fit_known_good_relay", "fit_own_relay"]
    assert all(not made and volts < 1.0 for _, made, volts in states)


def test_the_dead_man_rests_while_the_sensor_is_lost(carry_out):
    """Only a checked cycle toggles it: a lost sample is none."""
    from drivers.simulated.faults import parse_fault

    seen = {}

    def lose(n, sample):
        pin = seen["backend"].pin_factory.pin(SETTINGS.dead_man.pin)
        if sample.current_a != sample.current_a:
            seen.setdefault("edges", []).append(pin.changes)
        elif sample.ignition_feed and "lost" not in seen:
            seen["lost"] = True
            seen["backend"].world.apply_fault(parse_fault("sensor-absent"))

    carry_out(
        make_order(settings=SETTINGS), Watcher(lose), before=lambda b, w: seen.update(backend=b)
    )
    assert len(seen["edges"]) >= 2
    # The first lost sample follows the toggle of the last good one; none comes after it.
    assert len(set(seen["edges"])) == 1


@pytest.mark.parametrize("fault", [(), ("jammed=90",), ("sensor-absent@2.5",)])
def test_the_supplys_output_is_off_after_every_run(carry_out, fault):
    settings = make_settings(sample_hz=1000, supply=True)
    ran = carry_out(make_order(settings=settings, faults=fault))
    assert ran.backend.world.supply.output_on is False


def test_a_drive_that_clings_to_its_feeds_cannot_keep_them():
    from drivers.simulated.backend import SimulatedBackend
    from rig.bench.guard import Guard
    from rig.bench.loop import ControlLoop
    from rig.bench.opening import guard_limits
    from rig.bench.requests import BATTERY, OFF
    from rig.bench.station import Station

    order = make_order(settings=SETTINGS)
    backend = SimulatedBackend(order.wiring(), order.options)
    station = Station(backend, order.wiring(), order.wiring().stations[0])

    def fail(sample):
        if sample.battery_feed:
            raise ZeroDivisionError

    def nothing(*_):
        return None

    loop = ControlLoop(
        station,
        backend.clock,
        Guard(guard_limits(order.plan)),
        0.001,
        listen=nothing,
        watch=fail,
        ask=nothing,
        set_supply=nothing,
        news=nothing,
        on_trip=nothing,
    )
    loop.consent = True

    def drive():
        try:
            while True:
                yield BATTERY
        finally:
            yield OFF

    with pytest.raises((RuntimeError, ZeroDivisionError)):
        loop.run_step(drive())
    assert not feeds_are_on(backend, SETTINGS)
    station.close()
    backend.close()


def test_a_stop_right_after_a_trip_of_the_unit_does_not_hide_it(carry_out):
    """An operator who sees it trip presses the feeds-off key."""
    drawn, tripped = [], []

    def at_sample(n, sample):
        if sample.current_a > 12.0:
            drawn.append(sample.time_s)
        elif drawn and not sample.battery_feed and not tripped:
            tripped.append(sample.time_s)

    def listen():
        if tripped and watcher.samples[-1].time_s > tripped[0] + 0.1:
            raise Stopped("Stopped: the feeds-off key was pressed.", by_operator=True)

    watcher = Watcher(at_sample, listen=listen)
    ran = carry_out(make_order(settings=SETTINGS, faults=("jammed=90",)), watcher)
    assert tripped
    assert watcher.samples[-1].time_s > tripped[0] + 0.1  # the stop came in that time
    assert ran.verdict == "fail"
    assert "jammed" in ran.ended.note
    assert "trip_stall" in [event.kind for event in ran.record.events]
    assert ran.ended.feeds_off
