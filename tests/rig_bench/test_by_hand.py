"""Feeding by held keys: the lease, the guard, and what of it comes into the record."""

import json
from dataclasses import replace

import numpy as np
import pytest
from bench_runs import HEAD, Ran, Watcher, feeds_are_on, make_order, make_plan, make_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import LOST
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.faults import parse_fault
from rig.bench import by_hand
from rig.bench.by_hand import ByHandSession
from rig.bench.commands import LEASE_MAX_S, LEASE_S, Hold, Meddle, Note, Pause
from rig.bench.errors import Stopped
from rig.bench.events import HalfTurnEnded, Noted, RunBegan, RunEnded, StepBegan, StepEnded
from rig.bench.holding import LET_GO_S, Holding
from rig.bench.keeper import DirectKeeper
from rig.bench.order import ByHandOrder
from rig.bench.requests import BATTERY, BOTH, OFF, Feeds
from rig.cli import main
from rig.records.model import RunState, StepState
from rig.records.store import Store

SETTINGS = make_settings(sample_hz=500, supply=False)
PERIOD_S = 1 / 500
REPEAT_S = 0.035  # a held key comes again so often


def by_hand_order(**changes):
    order = make_order(settings=changes.pop("settings", SETTINGS), **changes)
    return ByHandOrder(**{f: getattr(order, f) for f in order.__dataclass_fields__})


class Keys(Watcher):
    """Somebody at the keys: ``held`` are (from s, to s, Feeds) counted from when it is ready."""

    def __init__(self, held, until_s, **more):
        super().__init__(**more)
        self.held = held
        self.until_s = until_s
        self.backend = None
        self.zero_s = None  # when the job was ready
        self.sent_s = float("-inf")
        self.down = OFF
        self.commands = []
        self.extra = []

    def now_s(self):
        return self.backend.clock.now_s() - self.zero_s

    def listen(self):
        super().listen()
        if self.zero_s is None:
            return ()
        now_s = self.now_s()
        if now_s >= self.until_s:
            raise Stopped("Stopped: enough.", by_operator=True)
        said = [command for at_s, command in self.extra if at_s <= now_s]
        self.extra = [(at_s, command) for at_s, command in self.extra if at_s > now_s]
        down = next((feeds for a, b, feeds in self.held if a <= now_s < b), OFF)
        if down != OFF and (down != self.down or now_s - self.sent_s >= REPEAT_S):
            said.append(Hold(*down, LEASE_S))
            self.sent_s = now_s
        elif down == OFF and self.down != OFF:
            said.append(Hold(False, False))
        self.down = down
        self.commands.extend(said)
        return said

    def show(self, event):
        super().show(event)
        if isinstance(event, Noted) and event.kind == "ready":
            self.zero_s = self.backend.clock.now_s()


@pytest.fixture
def work(tmp_path):
    """Do a `ByHandOrder` on a fresh simulated backend with somebody at the keys."""
    records = tmp_path / "logs" / "records.sqlite"

    def run(keys, order=None, before=None, session=ByHandSession):
        order = order or by_hand_order()
        backend = SimulatedBackend(order.wiring(), order.options)
        keys.backend = backend
        try:
            if before is not None:
                before(backend)
            with Store.open(records) as store:
                ended = session(order, backend, DirectKeeper(store), keys).run()
        finally:
            backend.close()
        return Ran(ended, keys, backend, records)

    return run


def trace_of(ran, step):
    with Store.open(ran.records) as store:
        return store.trace(ran.ended.run_id, step)


# --- the lease --------------------------------------------------------------------------------


def test_a_lease_runs_out_by_itself_and_is_cut_to_the_longest():
    holding = Holding()
    holding.take(Hold(True, False, 0.3), 10.0)
    assert holding.feeds_at(10.29) == BATTERY
    assert holding.feeds_at(10.3) == OFF
    holding.take(Hold(True, True, 50.0), 20.0)
    assert holding.feeds_at(20.0 + LEASE_MAX_S - 0.001) == BOTH
    assert holding.feeds_at(20.0 + LEASE_MAX_S) == OFF


@pytest.mark.parametrize("lease_s", [0.0, -1.0, float("nan")])
def test_a_lease_of_no_length_is_letting_go(lease_s):
    holding = Holding()
    holding.take(Hold(True, False, 0.5), 0.0)
    holding.take(Hold(True, False, lease_s), 0.1)
    assert holding.feeds_at(0.1) == OFF


def test_what_was_barred_stays_off_until_it_has_been_let_go():
    holding = Holding()
    holding.take(Hold(True, False), 0.0)
    holding.bar()
    for k in range(20):  # the key is still held, and repeats
        holding.take(Hold(True, False), 0.05 * k)
        assert holding.feeds_at(0.05 * k) == OFF
    assert holding.feeds_at(1.0 + LEASE_S) == OFF
    holding.take(Hold(True, False), 0.96 + LET_GO_S)
    assert holding.feeds_at(0.96 + LET_GO_S) == BATTERY
    holding.bar()
    holding.take(Hold(False, False), 2.1)
    holding.take(Hold(True, False), 2.11)
    assert holding.feeds_at(2.11) == BATTERY


def test_a_late_repeat_after_the_lease_ran_out_is_a_new_hold_and_lifts_no_bar():
    holding = Holding()
    holding.take(Hold(True, False, 0.3), 0.0)
    assert holding.feeds_at(0.35) == OFF
    holding.take(Hold(True, False, 0.3), 0.4)
    assert holding.feeds_at(0.4) == BATTERY
    holding.bar()
    # The key is still down, the line stuttered for longer than a lease.
    for at_s in (0.8, 1.2, 1.2 + 0.99 * LET_GO_S):
        holding.take(Hold(True, False, 0.3), at_s)
        assert holding.feeds_at(at_s) == OFF
        assert holding.feeds_at(at_s + 0.31) == OFF
    # So long a silence is a key that was let go.
    again_s = 1.2 + 2 * LET_GO_S
    holding.take(Hold(True, False, 0.3), again_s)
    assert holding.feeds_at(again_s) == BATTERY


@pytest.mark.parametrize("lease_s", [0.0, -0.2])
def test_a_hold_that_came_too_late_is_no_word_of_letting_go(lease_s):
    holding = Holding()
    holding.take(Hold(True, False, 0.3), 0.0)
    holding.bar()
    holding.take(Hold(True, False, lease_s), 0.9)
    holding.take(Hold(True, False, 0.3), 1.1)
    assert holding.feeds_at(1.1) == OFF


@given(st.lists(st.floats(0.0, 0.99 * LET_GO_S), max_size=30))
def test_no_stutter_of_the_line_lifts_a_bar(gaps_s):
    holding, now_s = Holding(), 0.0
    holding.take(Hold(True, True), now_s)
    holding.bar()
    for gap_s in gaps_s:
        now_s += gap_s
        assert holding.feeds_at(now_s) == OFF
        holding.take(Hold(True, True), now_s)
        assert holding.feeds_at(now_s) == OFF
    holding.take(Hold(False, False), now_s)
    holding.take(Hold(True, True), now_s)
    assert holding.feeds_at(now_s) == BOTH


# --- the job ----------------------------------------------------------------------------------


def test_a_unit_is_turned_by_hand_and_each_touch_is_a_step_of_the_record(work):
    # Battery held, then both (to run), then battery alone (to stop); later a touch of its own.
    held = [(0.2, 0.8, BATTERY), (0.8, 2.3, BOTH), (2.3, 4.0, BATTERY), (8.0, 8.6, BATTERY)]
    ran = work(Keys(held, until_s=12.0))
    watcher = ran.watcher
    (began,), (ended,) = watcher.of(RunBegan), watcher.of(RunEnded)
    assert began.run_id == ended.run_id
    assert ended.state is RunState.STOPPED
    assert ended.on_request
    assert ended.judgement is None
    assert ended.feeds_off
    assert not feeds_are_on(ran.backend, SETTINGS)

    first, second = ran.record.steps
    assert [first.number, second.number] == [1, 2]
    assert [first.kind, first.title] == ["by_hand", "By hand, touch 1"]
    assert first.state is StepState.DONE
    assert [(t.direction, t.outcome) for t in first.half_turns] == [
        ("to_run", "parked"),
        ("to_stop", "parked"),
    ]
    assert 0.5 < first.half_turns[0].half_turn_s < 0.9
    assert [turn.number for turn in first.half_turns] == [1, 2]
    assert ran.record.start.plan_name == "test"
    assert ran.record.end.judgement is None
    assert len(watcher.of(HalfTurnEnded)) == 2
    assert [event.number for event in watcher.of(StepBegan)] == [1, 2]
    told = watcher.of(StepEnded)
    assert [event.half_turns for event in told] == [first.half_turns, second.half_turns]

    trace = trace_of(ran, 1)
    fed = np.flatnonzero(trace.battery_feed | trace.ignition_feed)
    before_s = trace.time_s[fed[0]] - trace.time_s[0]
    after_s = trace.time_s[-1] - trace.time_s[fed[-1]]
    assert 0.15 < before_s < 0.45
    assert by_hand.TOUCH_OVER_S - 0.05 < after_s < by_hand.TOUCH_OVER_S + 0.05
    # Exactly what was sampled, and no rest between two touches.
    kept = {s.time_s: s.current_a for s in watcher.samples}
    assert [kept[t] for t in trace.time_s] == list(trace.current_a)
    assert np.all(np.diff(trace.time_s) < 1.5 * PERIOD_S)
    assert trace_of(ran, 2).time_s[0] > trace.time_s[-1] + 1.0


def test_each_touch_is_on_disk_before_the_next_begins(work):
    held = [(0.2, 0.5, BATTERY), (3.0, 3.3, BATTERY)]
    ran = work(Keys(held, until_s=6.0))
    order = [
        type(event) for event in ran.watcher.events if isinstance(event, StepBegan | StepEnded)
    ]
    assert order == [StepBegan, StepEnded, StepBegan, StepEnded]


def test_keys_held_while_the_bench_gets_ready_feed_nothing(work):
    class Eager(Keys):
        def listen(self):
            said = super().listen()
            return [Hold(True, True, 1.0)] if self.zero_s is None else said

    ran = work(Eager([], until_s=1.0))
    assert not any(s.battery_feed or s.ignition_feed for s in ran.watcher.samples)
    assert ran.record.steps == ()


def test_the_cautions_are_asked_and_refused_ends_it_unfed(work):
    class Refusing(Keys):
        def ask(self, ask, wait):
            self.asked.append(ask.action)
            return "refused"

    keys = Refusing([(0.0, 1.0, BATTERY)], until_s=2.0)
    ran = work(keys, replace(by_hand_order(consent=False), ask_operator=True))
    assert keys.asked == ["accept_cautions"]
    assert ran.ended.state is RunState.INTERRUPTED
    assert not any(s.battery_feed for s in keys.samples)


def test_notes_are_recorded_and_a_plans_commands_do_nothing(work):
    keys = Keys([(0.2, 0.5, BATTERY)], until_s=3.0)
    keys.extra = [(0.1, Note("cable greased")), (0.3, Pause())]
    ran = work(keys)
    assert ("note", "cable greased") in [(e.kind, e.text) for e in ran.record.events]
    assert ran.record.steps[0].state is StepState.DONE


def test_a_sensor_that_is_lost_takes_the_ignition_feed_off_and_lets_no_battery_feed_be_made(work):
    made = []

    def look(n, sample):
        pin = keys.backend.pin_factory.pin(SETTINGS.stations[0].battery_feed.pin)
        made.append(bool(pin.state) == SETTINGS.stations[0].battery_feed.active_high)

    ignition = Feeds(battery=False, ignition=True)
    keys = Keys([(0.2, 1.0, ignition), (1.0, 2.0, BOTH)], until_s=3.0, at_sample=look)
    keys.extra = [(0.6, Meddle("apply_fault", {"fault": "sensor-absent"}))]
    ran = work(keys)
    assert any(s.ignition_feed for s in keys.samples)
    assert any(s.flags & LOST for s in keys.samples)
    assert not any(made)
    told = [note.kind for note in ran.watcher.of(Noted) if note.kind.startswith("trip")]
    assert told == ["trip_sensor_lost"]
    lost_s = next(s.time_s for s in keys.samples if s.flags & LOST)
    # Three samples without a reading, and the relay's own time.
    assert not any(s.ignition_feed for s in keys.samples if s.time_s > lost_s + 0.05)
    assert ran.ended.state is RunState.INTERRUPTED


# --- trips ------------------------------------------------------------------------------------


def jam(backend):
    backend.hands.do("lock_lever", {})


def test_a_stall_takes_the_feeds_off_until_they_are_let_go(work):
    held = [(0.2, 4.0, BOTH), (4.5, 5.0, BATTERY)]
    ran = work(Keys(held, until_s=9.0), before=jam)
    trips = [note for note in ran.watcher.of(Noted) if note.kind.startswith("trip_")]
    assert [trip.kind for trip in trips] == ["trip_stall"]
    zero_s = ran.watcher.zero_s
    made = [s.time_s - zero_s for s in ran.watcher.samples if s.battery_feed]
    assert max(t for t in made if t < 4.0) < 1.0  # held until 4.0, off at the trip
    assert min(t for t in made if t > 1.0) > 4.5  # let go, and held anew
    assert ("trip_stall", trips[0].text) in [(e.kind, e.text) for e in ran.record.events]
    first, second = ran.record.steps
    assert first.state is StepState.CUT_SHORT
    assert "jammed" in first.note
    assert [turn.outcome for turn in first.half_turns] == ["stalled"]
    assert second.state is StepState.DONE
    assert ran.ended.state is RunState.STOPPED


def test_a_unit_that_runs_on_trips_and_may_be_tried_again(work):
    held = [(0.2, 5.0, BOTH), (8.0, 8.2, BOTH)]
    ran = work(
        Keys(held, until_s=11.0),
        before=lambda backend: backend.world.apply_fault(parse_fault("cam-welded")),
    )
    kinds = [note.kind for note in ran.watcher.of(Noted) if note.kind.startswith("trip_")]
    assert kinds == ["trip_run_on"]
    assert len(ran.record.steps) == 2


def test_over_current_does_not_end_the_job_either(work):
    plan = make_plan(head=HEAD.replace("over_current_a = 33.0", "over_current_a = 29.0"))
    order = by_hand_order(plan=plan, faults=["shorted-turns=0.55"])
    ran = work(Keys([(0.2, 0.8, BOTH), (3.5, 3.8, BATTERY)], until_s=6.5), order)
    kinds = [note.kind for note in ran.watcher.of(Noted) if note.kind.startswith("trip_")]
    assert kinds == ["trip_over_current"]
    assert ran.ended.state is RunState.STOPPED


def test_a_winding_too_hot_is_not_fed_until_it_has_cooled(work):
    # A jammed unit, tried again and again: each try is a stall, and the heat adds up.
    head = HEAD.replace("heat_j_per_k = 120.0", "heat_j_per_k = 8.0")
    plan = make_plan(head=head + "winding_max_c = 60.0\n")
    held = [(0.2 + 0.9 * k, 0.7 + 0.9 * k, BOTH) for k in range(16)]
    ran = work(Keys(held, until_s=16.0), by_hand_order(plan=plan), before=jam)
    notes = ran.watcher.of(Noted)
    assert any(note.kind == "trip_stall" for note in notes)
    assert any(note.kind == "trip_over_temperature" for note in notes)
    refused = [note for note in notes if note.kind == "not_fed"]
    assert refused
    assert "winding" in refused[0].text
    hot_s = next(n.time_s for n in notes if n.kind == "trip_over_temperature")
    later = [s for s in ran.watcher.samples if s.time_s > hot_s + 0.02]
    fed_s = min(s.time_s for s in later if s.battery_feed)  # it has cooled by then
    assert fed_s > hot_s + 5.0
    assert any(hot_s < note.time_s < fed_s for note in refused)
    assert ran.ended.state is RunState.STOPPED


def test_the_emergency_stop_ends_the_job_and_keeps_the_touch(work):
    keys = Keys([(0.2, 3.0, BOTH)], until_s=5.0)
    state = {}

    def press(n, sample):
        if sample.ignition_feed and sample.current_a > 1.0 and not state:
            state["n"] = n
            keys.backend.hands.do("press_emergency_stop", {})

    keys.at_sample = press
    ran = work(keys)
    assert ran.ended.state is RunState.INTERRUPTED
    assert not ran.ended.on_request
    assert "Emergency stop" in ran.ended.note
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert len(keys.samples) - state["n"] <= 2
    (step,) = ran.record.steps
    assert step.state is StepState.CUT_SHORT
    assert len(trace_of(ran, 1)) > 100


def test_the_emergency_stop_while_nothing_is_held_ends_it_too(work):
    keys = Keys([], until_s=5.0)
    keys.at_sample = lambda n, sample: (
        keys.backend.hands.do("press_emergency_stop", {}) if keys.zero_s else None
    )
    ran = work(keys)
    assert ran.ended.state is RunState.INTERRUPTED
    assert ran.record.steps == ()


def test_a_sensor_lost_under_the_hand_ends_the_job(work):
    keys = Keys([(0.2, 3.0, BOTH)], until_s=5.0)
    keys.at_sample = lambda n, sample: (
        keys.backend.world.apply_fault(parse_fault("sensor-absent"))
        if sample.current_a > 1.0
        else None
    )
    ran = work(keys)
    assert ran.ended.state is RunState.INTERRUPTED
    assert "sensor" in ran.ended.note
    assert not feeds_are_on(ran.backend, SETTINGS)


def test_without_a_reading_nothing_is_fed_and_plugged_in_again_it_is(work):
    keys = Keys([(1.0, 1.5, BATTERY), (3.0, 3.5, BATTERY)], until_s=6.5)
    there = {"absent": False}

    def unplug(n, sample):
        if keys.zero_s is None:
            return
        want = 0.5 < keys.now_s() < 2.0
        if want != there["absent"]:
            there["absent"] = want
            fault = parse_fault("sensor-absent")
            world = keys.backend.world
            world.apply_fault(fault) if want else world.clear_fault("sensor-absent")

    keys.at_sample = unplug
    ran = work(keys)
    refused = [note for note in keys.of(Noted) if note.kind == "not_fed"]
    assert len(refused) == 1
    assert "sensor" in refused[0].text
    fed = [s.time_s - keys.zero_s for s in keys.samples if s.battery_feed]
    assert min(fed) > 3.0
    assert len(ran.record.steps) == 1
    assert ran.ended.state is RunState.STOPPED


def test_a_welded_feed_relay_ends_the_job(work):
    keys = Keys([(0.2, 0.6, BATTERY)], until_s=5.0)
    keys.at_sample = lambda n, sample: (
        keys.backend.world.apply_fault(parse_fault("feed-relay-welded"))
        if sample.battery_feed
        else None
    )
    ran = work(keys)
    assert ran.ended.state is RunState.INTERRUPTED
    assert "welded" in ran.ended.note


# --- long touches, long rests -----------------------------------------------------------------


def test_a_long_touch_is_cut_into_steps_without_taking_the_feed_away(work, monkeypatch):
    monkeypatch.setattr(by_hand, "TOUCH_CUT_S", 3.0)
    monkeypatch.setattr(by_hand, "TOUCH_MAX_S", 4.0)
    held = [(0.2 + 1.6 * k, 1.8 + 1.6 * k, BOTH if k % 2 else BATTERY) for k in range(6)]
    ran = work(Keys(held, until_s=13.0))
    steps = ran.record.steps
    assert len(steps) >= 3
    assert "goes on as touch 2" in steps[0].note
    fed = [s.battery_feed for s in ran.watcher.samples]
    on, off = fed.index(True), len(fed) - fed[::-1].index(True)
    assert all(fed[on:off])  # not a sample without the battery feed
    turns = [turn for step in steps for turn in step.half_turns]
    assert [turn.outcome for turn in turns] == ["parked"] * len(turns)
    assert len(turns) == 5
    assert [turn.number for turn in turns] == list(range(1, 6))
    with Store.open(ran.records) as store:
        whole = store.trace(ran.ended.run_id)
    assert np.all(np.diff(whole.time_s) < 1.5 * PERIOD_S)  # nothing lost at the cuts


def test_a_long_rest_takes_no_memory(work):
    keys = Keys([], until_s=40.0)
    lengths = []
    sessions = []

    class Known(ByHandSession):
        def work(self):
            sessions.append(self)
            return super().work()

    keys.at_sample = lambda n, sample: (
        lengths.append(len(sessions[0].loop.recorder)) if keys.zero_s else None
    )
    order = by_hand_order(settings=make_settings(sample_hz=200, supply=False))
    work(keys, order, session=Known)
    assert len(lengths) > 7900
    assert max(lengths[1:]) < 100  # half a second's worth


# --- the rule that holds for all --------------------------------------------------------------

bursts = st.lists(
    st.tuples(
        st.floats(0.01, 1.2),  # s of silence before it
        st.sampled_from([BATTERY, BOTH, Feeds(False, True), OFF]),
        st.sampled_from([0.05, 0.3, 0.75, 5.0]),  # its lease, s
    ),
    min_size=1,
    max_size=8,
)


class Random(Keys):
    """Sends each of ``bursts`` after its silence, and keeps its own account of the lease."""

    def __init__(self, sent):
        super().__init__([], until_s=sum(silence_s for silence_s, _, _ in sent) + 1.5)
        at_s = 0.0
        for silence_s, feeds, lease_s in sent:
            at_s += silence_s
            self.extra.append((at_s, Hold(*feeds, lease_s)))
        self.allowed = OFF
        self.ends_s = float("-inf")
        self.barred = False
        self.seen_fed = 0
        self.too_long = []

    def listen(self):
        said = super().listen()
        now_s = self.backend.clock.now_s()
        for hold in said:
            if now_s >= self.ends_s:
                self.barred = False
            self.allowed = Feeds(hold.battery, hold.ignition)
            self.ends_s = now_s + min(hold.lease_s, LEASE_MAX_S)
            if self.allowed == OFF:
                self.ends_s = now_s
                self.barred = False
        return said

    def show(self, event):
        super().show(event)
        if isinstance(event, Noted) and event.kind.startswith("trip_"):
            self.barred = True

    def sample(self, sample):
        super().sample(sample)
        if self.zero_s is None:
            return
        now_s = self.backend.clock.now_s()
        made = self.made()
        self.seen_fed += any(made)
        if any(made) and (now_s > self.ends_s + 2 * PERIOD_S or self.barred):
            self.too_long.append((now_s, made))
        # Never more than was asked for, two samples after it was asked.
        self.too_long.extend(
            (now_s, made)
            for is_made, wanted in zip(made, self.allowed, strict=True)
            if is_made and not wanted and now_s > self.changed_s() + 2 * PERIOD_S
        )

    def changed_s(self):
        return self.ends_s - LEASE_MAX_S if self.allowed != OFF else self.ends_s

    def made(self):
        station = SETTINGS.stations[0]
        pins = self.backend.pin_factory
        return tuple(
            bool(pins.pin(feed.pin).state) == feed.active_high
            for feed in (station.battery_feed, station.ignition_feed)
        )


@pytest.mark.parametrize("jammed", [False, True])
def test_feeds_are_never_made_beyond_the_lease_nor_while_tripped(work, jammed):
    fed = []

    @settings(max_examples=8)
    @given(bursts)
    def holds(sent):
        keys = Random(sent)
        work(keys, before=jam if jammed else None)
        assert keys.too_long == []
        assert not feeds_are_on(keys.backend, SETTINGS)
        fed.append(keys.seen_fed)

    holds()
    assert sum(fed) > 100  # the rule was put to the test


# --- the record as it is shown ----------------------------------------------------------------


def test_a_run_by_hand_can_be_listed_shown_and_exported(work, tmp_path, capsys):
    held = [(0.2, 0.8, BATTERY), (0.8, 2.3, BOTH)]
    ran = work(Keys(held, until_s=6.0))
    records = ["--records", str(ran.records)]
    run_id = str(ran.ended.run_id)

    assert main(["records", "list", *records]) == 0
    assert "stopped" in capsys.readouterr().out
    assert main(["records", "show", run_id, *records]) == 0
    shown = capsys.readouterr().out
    assert "by hand" in shown
    assert "Worked by hand: not judged." in shown
    assert "By hand, touch 1" in shown
    assert main(["records", "show", run_id, "--json", *records]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert whole["verdict"] is None
    assert whole["reasons"] == []
    assert whole["steps"][0]["kind"] == "by_hand"

    names = {"--trace": "t.csv", "--half-turns": "h.csv", "--measures": "m.csv"}
    files = [word for option, name in names.items() for word in (option, str(tmp_path / name))]
    picture = str(tmp_path / "p.svg")
    assert main(["records", "export", run_id, *files, "--picture", picture, *records]) == 0
    assert "by_hand" in (tmp_path / "h.csv").read_text()
    assert len((tmp_path / "t.csv").read_text().splitlines()) == len(trace_of(ran, 1)) + 1
