"""Several stations at work at once: each safe by itself, and none held up by another."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import partial
from pathlib import Path
from statistics import median

import pytest
from bench_runs import HALF_TURNS, HEAD, make_plan
from hypothesis import given, settings
from hypothesis import strategies as st
from side_by_side import PERIOD_S, Side, fed

from drivers import SupplyError
from drivers.current import CurrentSensor
from drivers.simulated.i2c import HANG_S
from drivers.supply import BenchSupply
from rig.bench.aside import WAIT_MOST_S
from rig.bench.commands import Hold
from rig.bench.errors import Stopped
from rig.bench.events import HalfTurnEnded, Refused, StepBegan
from rig.bench.guard import Guard
from rig.bench.loop import ControlLoop
from rig.bench.opening import guard_limits
from rig.bench.requests import BOTH, OFF
from rig.bench.rounds import Turn
from rig.bench.shared_supply import SharedPower
from rig.bench.turns import START_APART_S
from rig.crowding import BUS_SHARE, crowd
from rig.plans import plan_from_text

LONG = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.4\n'
SWEEP = '[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.4\nsupply_v = 10.0\n'
# A sample comes within a period of what it shows, and the edge within two of the sample.
IN_TIME_S = 3 * PERIOD_S


@pytest.fixture
def side(tmp_path):
    """Make a rig with several stations."""

    def make(*args, **options):
        return Side(tmp_path / "records.sqlite", *args, **options)

    return make


def test_two_units_at_once_each_get_their_own_run_and_verdict(side):
    both = side(faults=["B:dry-gear=20"]).run()
    assert both.verdict("A") == "pass"
    assert both.verdict("B") == "fail"
    assert both.record("A").start.station == "A"
    assert both.record("B").start.unit_serial == "LM-12-B"
    assert both.diary.all_off
    assert any(
        a < d and c < b for a, b in both.diary.spans_s("A") for c, d in both.diary.spans_s("B")
    )
    # Each samples in its own part of the period, or one would wait for the other's transactions.
    phase_s = [
        median(sample.time_s % PERIOD_S for sample in both.watchers[name].samples) for name in "AB"
    ]
    assert (phase_s[1] - phase_s[0]) % PERIOD_S == pytest.approx(PERIOD_S / 2, rel=0.1)


def test_the_same_seed_gives_the_same_interleaving(side, tmp_path):
    again = Side(tmp_path / "again.sqlite").run()
    assert side().run().diary.edges == again.diary.edges


@pytest.mark.parametrize("fault", ["", "B:jammed=90"])
def test_half_turns_take_as_long_beside_another_station_as_alone(side, tmp_path, fault):
    plans = {"A": make_plan(LONG), "B": make_plan(LONG)}
    alone = Side(tmp_path / "alone.sqlite", plans=plans).run("A").half_turns("A")
    beside = side(plans=plans, faults=[fault] if fault else []).run().half_turns("A")
    assert len(alone) == len(beside) == 4
    for one, other in zip(alone, beside, strict=True):
        # Another's current lowers the supply a little; at nominal voltage they must be the same.
        off_s = other.nominal_half_turn_s - one.nominal_half_turn_s
        assert abs(off_s) <= max(one.nominal_half_turn_u_s, other.nominal_half_turn_u_s)
        assert abs(other.half_turn_s - one.half_turn_s) < 0.03 * one.half_turn_s


def test_a_stall_is_cut_in_its_own_cycle_while_the_other_is_measured(side):
    both = side(faults=["B:jammed=90"], plans={"A": make_plan(LONG), "B": make_plan(LONG)})
    both.run()
    (text,) = [e for e in both.watchers["B"].events if getattr(e, "kind", "") == "trip_stall"]
    off = next(edge for edge in both.diary.of("B") if not edge.made)
    shown = [s for s in both.watchers["B"].samples if s.time_s <= off.time_s][-1]
    assert off.time_s - shown.time_s <= 2 * PERIOD_S
    assert abs(text.time_s - off.time_s) <= 2 * PERIOD_S
    assert both.verdict("B") == "fail"
    assert both.verdict("A") == "pass"


def test_two_trips_in_one_round_both_take_their_feeds(side):
    both = side(faults=["jammed=90"]).run()
    assert both.verdict("A") == both.verdict("B") == "fail"
    assert both.diary.all_off


def test_emergency_stop_takes_all_stations_off_within_two_samples(side):
    both = side()
    pressed = []

    def press(_, sample):
        if not pressed and all(any(feeds) for feeds in both.diary.fed.values()):
            both.backend.hands.do("press_emergency_stop", {})
            pressed.append(both.now_s())

    both.watchers["A"].at_sample = press
    both.run()
    assert pressed
    for name in ("A", "B"):
        assert both.diary.spans_s(name)[-1][1] - pressed[0] <= IN_TIME_S
        assert "Emergency stop" in both.ends[name].note


def test_a_lost_sensor_takes_its_own_station_only(side):
    both = side(faults=["B:sensor-absent@2.2"], plans={n: make_plan(LONG) for n in "AB"}).run()
    lost_s = 2.2
    last = both.diary.spans_s("B")[-1]
    assert last[0] < lost_s < last[1] <= lost_s + 4 * PERIOD_S
    assert "sensor does not answer" in both.ends["B"].note
    assert both.verdict("A") == "pass"
    assert len(both.half_turns("A")) == 4


def test_a_lost_sensor_whose_feed_stays_made_takes_the_feeds_of_all(side):
    both = side(plans={name: make_plan(LONG) for name in "AB"})
    pin = both.settings.station("B").battery_feed.pin
    stuck = []

    def stick(_, sample):
        if not stuck and fed(both, "B").battery and fed(both, "A") == BOTH:
            both.backend.pin_factory.stick(pin, True)
            both.backend.hands.do("apply_fault", {"fault": "B:sensor-absent"})
            stuck.append(both.now_s())

    both.watchers["A"].at_sample = stick
    both.run()
    assert stuck
    # The edges stop at once, and the hardware timer drops the master relay.
    assert not [t for t in both.diary.toggles_s if stuck[0] + IN_TIME_S < t < stuck[0] + 0.15]
    assert "master relay dropped" in both.ends["A"].note
    assert "DOES NOT READ BACK OFF" in both.ends["B"].note


def test_a_held_bus_takes_all_stations_off_in_the_time_of_one_wait(side):
    four = side(4, plans={name: make_plan(LONG) for name in "ABCD"}, faults=["bus-hang@3.5"]).run()
    for name in "ABCD":
        last = four.diary.spans_s(name)[-1]
        assert last[0] < 3.5 < last[1] <= 3.5 + PERIOD_S + HANG_S + PERIOD_S
        assert "sensor does not answer" in four.ends[name].note


def test_a_bus_held_in_an_ignition_sensors_read_costs_one_wait_as_well(side, monkeypatch):
    both = side(plans={name: make_plan(LONG) for name in "AB"})
    address = both.settings.station("B").ignition_sensor.address
    held = []
    read = CurrentSensor.read

    def reading(sensor):
        both_fed = fed(both, "A") == BOTH and fed(both, "B") == BOTH
        if not held and both_fed and sensor.wiring.address == address:
            held.append(both.now_s())
            both.backend.hands.do("apply_fault", {"fault": "bus-hang"})
        return read(sensor)

    monkeypatch.setattr(CurrentSensor, "read", reading)
    both.run()
    for name in "AB":
        last = both.diary.spans_s(name)[-1]
        assert last[0] < held[0] < last[1] <= held[0] + PERIOD_S + HANG_S + PERIOD_S
        assert "sensor does not answer" in both.ends[name].note


def test_a_job_that_waits_for_the_disk_at_its_end_leaves_the_others_fed(side):
    both = side(plans={"A": make_plan(LONG, LONG), "B": make_plan(HALF_TURNS)})
    both.slow_disk_s["B"] = 0.5
    both.run()
    over_s = both.diary.spans_s("B")[-1][1]
    assert both.diary.spans_s("A")[-1][1] > over_s + 1.0, "A was at work all the while"
    assert both.verdict("A") == "pass"
    assert both.verdict("B") == "pass"


def test_a_job_that_holds_the_thread_loses_all_feeds_to_the_hardware_timer(side):
    both = side()
    held = []

    def hold(_, sample):
        if not held and fed(both, "A").battery and fed(both, "B").battery:
            held.append(both.now_s())
            both.backend.clock.sleep_until(both.now_s() + 0.5)
            both.backend.world.bring_up()
            held.append(both.backend.world.master.closed)

    both.watchers["B"].at_sample = hold
    both.run()
    assert held[1] is False, "the master relay had dropped while the program hung"
    assert both.diary.all_off
    assert all("held up" in both.ends[name].note for name in "AB")


def test_a_job_that_comes_round_no_more_loses_all_feeds_to_the_hardware_timer(side):
    both = side(plans={name: make_plan(LONG) for name in "AB"})
    gone = []

    def go_away(_, sample):
        if not gone and fed(both, "A") == BOTH and fed(both, "B").battery:
            gone.append(both.now_s())
            both.together.hub.sleep_until(both.now_s() + 1.0)

    both.watchers["B"].at_sample = go_away
    both.run()
    assert gone
    off_s = next(to_s for from_s, to_s in both.diary.spans_s("A") if to_s > gone[0])
    assert "master relay dropped" in both.ends["A"].note
    assert off_s - gone[0] < 0.15 + 0.2  # timer, relay, and how often the contact is looked at
    assert both.diary.all_off


def test_a_job_that_fails_leaves_the_other_at_work(side):
    both = side(plans={name: make_plan(LONG) for name in "AB"})
    show = both.watchers["B"].show

    def fail(event):
        show(event)
        if isinstance(event, HalfTurnEnded):
            raise ZeroDivisionError("broken on purpose")

    both.watchers["B"].show = fail
    with pytest.raises(ZeroDivisionError, match="on purpose"):
        both.run()
    assert both.diary.all_off
    assert both.verdict("A") == "pass"
    assert len(both.half_turns("A")) == 4


def test_a_stop_ends_one_station_and_not_the_other(side):
    both = side()
    begun = []

    def stop():
        if fed(both, "B").battery:
            begun.append(both.now_s())
            raise Stopped("Stopped: enough.", by_operator=True)

    both.watchers["B"].on_listen = stop
    both.run()
    assert both.diary.spans_s("B")[-1][1] - begun[0] <= IN_TIME_S
    assert str(both.ends["B"].state) == "stopped"
    assert both.verdict("A") == "pass"


def test_a_later_job_joins_without_dropping_the_others(side):
    plans = {name: make_plan(LONG) for name in "AB"}
    both = side(plans=plans)
    joined = both.begin_when(lambda: fed(both, "A") == BOTH, by="A", begin="B")
    both.run("A")
    assert joined
    assert both.verdict("A") == both.verdict("B") == "pass"
    (found,) = both.noted("B", "dead_man")
    assert "proved by station A" in found
    assert "run on since" in found
    after = [t for t in both.diary.toggles_s if t > joined[0] - 0.1]
    assert max(b - a for a, b in itertools.pairwise(after)) < 0.02, "edges never paused"


def test_whoever_comes_when_all_have_left_proves_the_dead_man_anew(side):
    both = side()

    def come_later():
        both.together.hub.sleep_until(60.0)
        both.begin("B")

    both.together.hub.begin(come_later)
    both.run("A")
    assert both.diary.spans_s("A")[-1][1] < 60.0 < both.diary.spans_s("B")[0][0]
    for name in "AB":
        (found,) = both.noted(name, "dead_man")
        assert "proved by" not in found


def test_the_drop_out_is_proved_with_every_feed_off(side):
    both = side(3)
    both.run()
    proofs = [both.noted(name, "dead_man")[0] for name in "ABC"]
    assert sum("run on since" not in text for text in proofs) == 1
    longest = max(
        (b - a, a) for a, b in zip(both.diary.toggles_s, both.diary.toggles_s[1:], strict=False)
    )
    assert longest[0] > 0.1, "the edges did pause for the proof"
    first_fed_s = min(edge.time_s for edge in both.diary.edges)
    assert sum(longest) < first_fed_s


def test_motors_start_one_after_the_other(side):
    four = side(4, plans={name: make_plan(LONG) for name in "ABCD"}).run()
    assert all(four.verdict(name) == "pass" for name in "ABCD")
    starts = sorted(
        (edge.time_s, edge.station) for edge in four.diary.edges if edge.made or not edge.battery
    )
    # A feed taken off while the battery feed is off starts nothing.
    starts = [
        (t, name) for t, name in starts if any(a <= t < b for a, b in _battery_spans(four, name))
    ]
    for (one_s, one), (other_s, other) in itertools.pairwise(starts):
        assert one == other or other_s - one_s >= START_APART_S - PERIOD_S


def test_what_others_keep_a_step_waiting_is_no_part_of_its_length(side, monkeypatch):
    monkeypatch.setattr(
        "rig.bench.turns.START_APART_S", 2.0
    )  # the other starts when one is through
    most_s = 10.0  # the least that a plan of such a step may have
    both = side(plans={name: make_plan(f"step_max_s = {most_s}\n", LONG) for name in "AB"}).run()
    spans = [both.diary.spans_s(name)[-1] for name in "AB"]
    assert max(to_s for _, to_s in spans) - min(from_s for from_s, _ in spans) > most_s
    assert both.verdict("A") == both.verdict("B") == "pass"


def test_a_key_that_is_held_feeds_at_once_and_one_that_is_let_go_takes_it_at_once(side):
    both = side(plans={name: make_plan(LONG) for name in "AB"})
    both.by_hand.add("B")
    held, done = [], []

    def keys():
        now_s = both.now_s()
        started = [e.time_s for e in both.diary.of("A", battery=False) if e.made]
        if started and not held:
            held.append(now_s)
        if held and now_s < held[0] + 0.1:
            return [Hold(True, False, lease_s=0.05)]
        if held and not done:
            done.append(now_s)
            return [Hold(False, False)]
        if "A" in both.ends:
            raise Stopped("Stopped: enough.", by_operator=True)
        return ()

    both.watchers["B"].on_listen = keys
    both.run()
    ((from_s, to_s),) = both.diary.spans_s("B")
    # Right beside A's start; a console is listened to every hundredth of a second.
    assert from_s - held[0] <= IN_TIME_S < START_APART_S
    assert to_s - done[0] <= IN_TIME_S
    assert both.verdict("A") == "pass"


def test_a_key_held_while_another_station_sets_the_supply_moves_no_lever(side):
    plans = {"A": make_plan(SWEEP, LONG), "B": make_plan(LONG)}
    both = side(plans=plans, supply=True)
    both.by_hand.add("B")
    ready, let_go, again = [], [], []

    def keys():
        now_s = both.now_s()
        if "A" in both.ends:
            raise Stopped("Stopped: enough.", by_operator=True)
        if not ready and both.noted("B", "ready"):
            ready.append(now_s)
        if ready and not let_go and now_s > ready[0] + 1.5:
            let_go.append(now_s)
            return [Hold(False, False)]
        if let_go and now_s > let_go[0] + 0.2:
            again.append(now_s)
        held = both.noted("B", "waits") and (again or not let_go)
        return [Hold(True, True, lease_s=0.3)] if held else ()

    both.watchers["B"].on_listen = keys
    both.begin_when(lambda: fed(both, "A") == BOTH, by="A", begin="B")
    both.run("A")
    first_a, *_ = both.diary.spans_s("A")
    assert ready[0] >= first_a[1], "not ready before the supply is free again"
    from_s = both.diary.spans_s("B")[0][0]
    assert 0.0 <= from_s - again[0] <= IN_TIME_S, "fed by a key pressed when it was ready"


def _battery_spans(side, name):
    edges = side.diary.of(name)
    return [(a.time_s, b.time_s) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def test_a_step_that_sets_the_supply_has_the_rig_to_itself(side):
    plans = {"A": make_plan(HALF_TURNS, SWEEP, HALF_TURNS), "B": make_plan(LONG, LONG)}
    both = side(plans=plans, supply=True)
    set_to = []
    supply = both.backend.world.supply
    both.watchers["A"].at_sample = lambda n, s: set_to.append((both.now_s(), supply.set_v))
    both.run()
    low = [t for t, volts in set_to if abs(volts - 10.0) < 0.01]
    assert low, "the supply was set"
    for from_s, to_s in both.diary.spans_s("B"):
        assert to_s <= low[0] or from_s >= low[-1]
    (why,) = both.noted("A", "waits")
    assert "until station B feeds no longer" in why
    assert both.noted("B", "waits")[0].startswith("Waits with the feeds off until station A is")
    assert supply.set_v == pytest.approx(12.0)
    assert not supply.output_on
    assert both.verdict("A") == both.verdict("B") == "pass"


def test_the_supply_is_set_back_for_the_others_when_a_step_at_another_voltage_fails(side):
    plans = {"A": make_plan(SWEEP), "B": make_plan(LONG, LONG)}
    both = side(plans=plans, supply=True)
    seen = []
    volts = both.backend.world.supply

    def press(_, sample):
        if not seen and fed(both, "A") == BOTH and volts.set_v < 10.5:
            seen.append(True)
            both.backend.hands.do("apply_fault", {"fault": "A:sensor-absent"})

    both.watchers["A"].at_sample = press
    fed_at = []
    both.watchers["B"].at_sample = lambda n, s: fed_at.append(
        volts.set_v if any(fed(both, "B")) else 12.0
    )
    both.run()
    assert seen
    assert "sensor" in both.ends["A"].note
    assert both.verdict("B") == "pass"
    assert set(fed_at) == {12.0}


def test_a_plan_for_another_voltage_is_refused_while_the_supply_is_on(side):
    both = side(plans={"A": make_plan(LONG), "B": _other_voltage(13.0)}, supply=True)
    both.begin_when(lambda: fed(both, "A") == BOTH, by="A", begin="B")
    both.run("A")
    assert both.verdict("A") == "pass"
    assert both.verdict("B") == "none"
    assert "on at 12 V for station A" in both.ends["B"].note
    assert "13 V" in both.ends["B"].note


def test_a_supply_that_may_have_changed_is_set_back_before_the_others_feed(side, monkeypatch):
    plans = {"A": make_plan(SWEEP), "B": make_plan(LONG)}
    both = side(plans=plans, supply=True)
    supply = both.backend.world.supply
    set_voltage = BenchSupply.set_voltage

    def unconfirmed(self, volts):
        set_voltage(self, volts)
        if volts == 10.0:
            raise SupplyError("It does not confirm.")

    monkeypatch.setattr(BenchSupply, "set_voltage", unconfirmed)
    fed_at = set()
    both.watchers["B"].at_sample = lambda _, s: s.battery_feed and fed_at.add(supply.set_v)
    _accepts_when_over(both, "B", "A")
    both.run()
    assert "does not confirm" in both.ends["A"].note
    assert both.verdict("B") == "pass"
    assert fed_at == {12.0}


def test_a_supply_that_nobody_gets_round_to_is_not_waited_for_for_ever(side, monkeypatch):
    """A thread may begin and end without a word, where there is no memory for it."""
    both = side(supply=True)
    both.together.rig.real_time = True
    monkeypatch.setattr("rig.bench.aside.start_new_thread", lambda *_: None)
    both.run("A")
    assert f"was not set within {WAIT_MOST_S:g} s" in both.ends["A"].note
    assert both.now_s() < 2 * WAIT_MOST_S
    assert both.diary.edges == []


def _accepts_when_over(side, name, other):
    """Have ``name``'s cautions accepted once the job of ``other`` is over."""

    def accept(ask, wait):
        wait(lambda: other in side.ends)
        return "accepted"

    order = side.order
    side.watchers[name].ask = accept
    side.order = lambda at: replace(order(at), consent=at != name, ask_operator=at == name)


def _other_voltage(volts):
    text = HEAD.replace('type = "LM-12"', f'type = "LM-12"\nnominal_v = {volts}') + LONG
    return plan_from_text(text, Path("other.toml"))


def test_a_voltage_that_a_job_left_on_when_it_ended_binds_nobody(side):
    both = side(plans={"A": make_plan(HALF_TURNS), "B": _other_voltage(13.0)}, supply=True)
    supply = both.backend.world.supply
    seen = set()
    both.watchers["B"].at_sample = lambda _, s: seen.add(supply.set_v) if s.battery_feed else None

    _accepts_when_over(both, "B", "A")
    both.run()
    assert both.verdict("A") == "pass"
    assert both.ends["B"].state == "finished", both.ends["B"].note
    assert seen == {13.0}
    assert not supply.output_on


def test_nobody_is_fed_after_a_supply_was_not_set_back_whatever_the_reason(side, monkeypatch):
    def no_thread(_):
        raise RuntimeError("no thread could be started")

    monkeypatch.setattr(SharedPower, "restore", no_thread)
    plans = {"A": make_plan(SWEEP), "B": make_plan(LONG)}
    both = side(plans=plans, supply=True)

    def stop():
        if fed(both, "A") == BOTH and both.backend.world.supply.set_v < 10.5:
            raise Stopped("Stopped: enough.", by_operator=True)

    both.watchers["A"].on_listen = stop
    both.begin_when(lambda: fed(both, "A") == BOTH, by="A", begin="B")
    with pytest.raises(RuntimeError, match="no thread"):
        both.run("A")
    assert both.diary.spans_s("A")
    assert not both.diary.spans_s("B")
    assert "could not be set back for this station: no thread" in both.ends["B"].note


KINDS = ("", "jammed=90", "cam-welded", "sensor-absent", "sensor-stuck", "open-winding")


@given(
    faults=st.lists(st.sampled_from(KINDS), min_size=3, max_size=3),
    at_s=st.lists(st.floats(0.5, 6.0), min_size=3, max_size=3),
    joins_s=st.lists(st.floats(0.0, 3.0), min_size=2, max_size=2),
    stop_s=st.none() | st.floats(0.1, 5.0),
    press_s=st.none() | st.floats(0.5, 6.0),
)
@settings(max_examples=8, deadline=None)
def test_no_interleaving_feeds_a_station_that_must_not_be(
    tmp_path_factory, faults, at_s, joins_s, stop_s, press_s
):
    said = [f"{n}:{f}@{t:.3f}" for n, f, t in zip("ABC", faults, at_s, strict=True) if f]
    if press_s is not None:
        said.append(f"emergency-stop@{press_s:.3f}")
    plans = {name: make_plan(HALF_TURNS) for name in "ABC"}
    three = Side(tmp_path_factory.mktemp("side") / "r.sqlite", 3, plans=plans, faults=said)
    waiting = dict(zip("BC", joins_s, strict=True))
    job = dict.fromkeys("ABC")  # from when to when each had a job

    def watch(name):
        console = three.watchers[name]
        show = console.show

        def noted(event):
            show(event)
            if isinstance(event, StepBegan) and job[name] is None:
                job[name] = three.now_s()

        console.show = noted

        def listen():
            for other in [o for o, t in waiting.items() if three.now_s() >= t]:
                del waiting[other]
                three.begin(other)
            if name == "A" and stop_s is not None and three.now_s() >= stop_s:
                raise Stopped("Stopped: enough.", by_operator=True)

        console.on_listen = listen

    for name in "ABC":
        watch(name)
    three.run("A")

    assert three.diary.all_off
    for name in "ABC":
        spans = three.diary.spans_s(name)
        if name not in three.ends or job[name] is None:
            assert not spans, "fed without a step"
            continue
        assert all(from_s >= job[name] for from_s, _ in spans)
        assert isinstance(three.ends[name], Refused) or three.ends[name].feeds_off
        for when_s, off in _limits(name, said, press_s, stop_s):
            assert all(not from_s < when_s < to_s or to_s - when_s <= off for from_s, to_s in spans)
        # Nothing is made anew after what ends a job.
        if press_s is not None:
            assert all(from_s < press_s + IN_TIME_S for from_s, _ in spans)
    edges = three.diary.toggles_s
    for from_s, to_s in (span for name in "ABC" for span in three.diary.spans_s(name)):
        given_s = [from_s, *(t for t in edges if from_s < t < to_s), to_s]
        gaps = [b - a for a, b in itertools.pairwise(given_s)]
        assert max(gaps) < 0.1, "fed while the dead-man had stopped"


def _limits(name, said, press_s, stop_s):
    """Yield by when (s) what must take a station's feeds off: from when on, and how soon."""
    if press_s is not None:
        yield press_s, IN_TIME_S
    if name == "A" and stop_s is not None:
        yield stop_s, 0.01 + IN_TIME_S
    for fault in said:
        if fault.startswith(f"{name}:sensor-absent"):
            yield float(fault.partition("@")[2]), 5 * PERIOD_S
    yield 0.0, 0.0


def test_loops_that_are_always_late_have_their_turns_all_the_same(side):
    both = side()
    rig, hub = both.together.rig, both.together.hub
    cycles = dict.fromkeys("AB", 0)

    def work(name):
        order = both.order(name)
        wired = next(s for s in order.wiring().stations if s.name == name)
        station = rig.berth(name).station(rig.backend_of(name), order.wiring(), wired)
        hooks = dict.fromkeys(("listen", "watch", "ask", "set_supply", "news", "on_trip"), _nothing)
        loop = ControlLoop(station, hub, Guard(guard_limits(order.plan)), 1e-7, **hooks)
        while hub.now_s() < 0.1:
            loop.cycle(OFF)
            cycles[name] += 1
        station.close()

    for name in cycles:
        hub.begin(partial(work, name))
    hub.run()
    rig.close()
    both.backend.close()
    assert cycles["A"] == pytest.approx(cycles["B"], rel=0.05)
    # What the bus allows one of two, by its bit times.
    assert cycles["A"] == pytest.approx(
        0.1 * crowd(both.settings, "AB").most_hz / BUS_SHARE, rel=0.1
    )


def _nothing(*_):
    return ()


VISUAL = '[[step]]\nkind = "visual"\nchecks = ["earth_good"]\n'


def test_whoever_looks_at_the_jig_looks_at_the_right_station(side):
    plans = {name: make_plan(VISUAL, HALF_TURNS) for name in "AB"}
    both = side(plans=plans, faults=["B:poor-earth=0.1"]).run()
    answers = {name: both.record(name).steps[0].answers for name in "AB"}
    assert answers == {"A": {"earth_good": "ok"}, "B": {"earth_good": "fault"}}


def test_a_station_whose_cycle_was_not_good_counts_only_with_its_feeds_read_back_off(side):
    both = side()
    pins, rounds = both.together.rig.pins, both.together.rig.rounds
    turns = {name: Turn(rounds, name, pins.feeds[name]) for name in "AB"}

    def edges_of(*calls):
        before = len(both.diary.toggles_s)
        for call in calls:
            call()
        return len(both.diary.toggles_s) - before

    a, b = turns["A"], turns["B"]
    assert edges_of(a.toggle) == 1, "alone, each cycle is a round"
    assert edges_of(b.toggle) == 0, "A has not been round since"
    assert edges_of(b.toggle, b.toggle) == 0, "one station's cycles are no round of two"
    assert edges_of(a.toggle) == 1
    assert edges_of(a.toggle, b.stand_by) == 1, "B is blind, its feeds read back off"
    for feed in ("battery_feed", "ignition_feed"):
        pin = getattr(both.settings.station("B"), feed).pin
        both.backend.pin_factory.stick(pin, True)
        assert edges_of(a.toggle, b.stand_by, a.toggle, b.stand_by) == 0, feed
        both.backend.pin_factory.stick(pin, None)
        assert edges_of(b.stand_by) == 1
    rounds.leave("B")
    assert edges_of(a.toggle, a.toggle) == 2
    both.together.rig.close()
    both.backend.close()
