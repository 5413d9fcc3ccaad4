"""Isolating a fault on the simulated bench, in virtual time, with a small mind of the tests' own.

Which cause each fault is told by is trade reasoning (common practice, no published source).
"""

from __future__ import annotations

import re
import time
from dataclasses import fields, replace
from itertools import pairwise
from typing import ClassVar

import pytest
from bench_runs import HEAD, Ran, Watcher, feeds_are_on, make_order, make_plan, make_settings
from guesser import Guesser

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.analysis.faults.guided import TESTS
from rig.bench.commands import Meddle, RepeatStep
from rig.bench.errors import Stopped
from rig.bench.events import Noted, Ranked, StepBegan, StepEnded
from rig.bench.isolation import Isolation
from rig.bench.keeper import DirectKeeper
from rig.bench.order import IsolationOrder
from rig.bench.reasoning import Learnt
from rig.records.model import RunState, StepState
from rig.records.store import Store

SETTINGS = make_settings(sample_hz=200)
AT_THE_JIG = {
    "fit_known_good_relay": "done",
    "fit_own_relay": "done",
    "connect_meter": "done",
    "inspect": "ok",
    "unhook_cable": "done",
    "hook_up_cable": "done",
    "feed_motor_directly": "done",
    "restore_wiring": "done",
    "put_together": "done",
}


class Asked(Watcher):
    """Somebody who answers proposals with ``choices``, one after the other, then ends."""

    def __init__(self, *choices, **more):
        super().__init__(answers=dict(AT_THE_JIG), **more)
        self.choices = list(choices)
        self.fed_when_asked = 0

    def ask(self, ask, wait):
        self.fed_when_asked += self.samples[-1].battery_feed or self.samples[-1].ignition_feed
        if ask.action == "next_test":
            self.asked.append(ask)
            wait(lambda: True)
            return self.choices.pop(0) if self.choices else "end"
        return super().ask(ask, wait)


@pytest.fixture
def isolate(records):
    """Isolate what ``faults`` did to a unit; ``before(backend)`` may prepare the world."""

    def run(*faults, watcher=None, plan=None, before=None, mind=None, ask=None, settings=SETTINGS):
        plain = make_order(plan, faults=faults, settings=settings, spread="0")
        given = {field.name: getattr(plain, field.name) for field in fields(plain)}
        ask = isinstance(watcher, Asked) if ask is None else ask
        order = replace(IsolationOrder(**given), ask_operator=ask)
        watcher = watcher or Watcher()
        backend = SimulatedBackend(order.wiring(), order.options)
        try:
            if before is not None:
                before(backend, watcher)
            with Store.open(records) as store:
                mind = mind or Guesser()
                ended = Isolation(order, backend, DirectKeeper(store), watcher, mind).run()
        finally:
            backend.close()
        return Ran(ended, watcher, backend, records)

    return run


def last(ran):
    return ran.watcher.of(Ranked)[-1]


@pytest.mark.parametrize(
    ("fault", "remedy"),
    [
        ("relay-dead", "Replace the unit's relay."),
        ("ignition-open", "Repair the ignition lead"),
        ("open-winding", "Replace the motor"),
        ("cam-dead-spot=2", "Replace the cam wheel"),
    ],
)
def test_a_cause_is_named_with_what_to_do(isolate, fault, remedy):
    ran = isolate(fault)
    concluded = last(ran).conclusion
    assert concluded.case == fault.split("=")[0]
    assert concluded.sure
    assert concluded.remedy.startswith(remedy)
    assert ran.ended.state is RunState.FINISHED
    assert ran.verdict == "fail"  # its own half-turns were judged and did not move
    assert not feeds_are_on(ran.backend, SETTINGS)


def test_a_dead_relay_is_known_after_the_swap_and_its_own_is_put_back(isolate):
    ran = isolate("relay-dead")
    unit = ran.backend.world.stations["A"].unit
    assert unit.relay is unit.own_relay
    assert "known_good_relay" in [done.test for done in last(ran).done]
    before, after = next(
        (before.ranking.probability("relay-dead"), after.ranking.probability("relay-dead"))
        for before, after in pairwise(ran.watcher.of(Ranked))
        if after.done[-1].test == "known_good_relay"
    )
    assert after > 2 * before


def test_a_sound_unit_sends_to_the_vehicle_and_passes_nobody(isolate):
    ran = isolate()
    concluded = last(ran).conclusion
    assert concluded.case == "sound"
    assert "look at the vehicle" in concluded.text
    for part in ("connector", "ignition signal", "earth", "cable"):
        assert part in concluded.remedy
    assert ran.verdict == "retest"
    assert "An isolation passes no unit" in ran.ended.judgement.reasons[0].text


def test_every_test_is_in_the_record_with_the_ranking_after_it(isolate):
    record = isolate("relay-dead").record
    assert [step.kind for step in record.steps][:2] == ["zero", "guided"]
    tests = [step.answers["test"] for step in record.steps if step.kind == "guided"]
    assert tests[0] == "turns"
    for step in record.steps[1:]:
        assert step.state is StepState.DONE
        assert 0.9 < sum(step.answers["ranking"].values()) <= 1.001
    end = record.steps[-1]
    assert (end.kind, end.answers["cause"], end.answers["sure"]) == ("ranking", "relay-dead", True)
    assert end.answers["speaks for it"]
    kinds = [event.kind for event in record.events]
    assert "isolation" in kinds


def test_an_operator_who_skips_everything_ends_with_what_is_known(isolate):
    watcher = Asked(*["skip"] * 20)
    ran = isolate("relay-dead", watcher=watcher)
    ranked = last(ran)
    assert ran.ended.state is RunState.FINISHED
    assert ran.verdict == "retest"
    assert not ranked.conclusion.sure
    assert ranked.conclusion.text.startswith("Not sure.")
    assert {done.told for done in ranked.done} == {"skipped"}
    assert not any(done.counts for done in ranked.done)
    assert not any(sample.battery_feed for sample in watcher.samples)
    assert ranked.ranking.top.probability == pytest.approx(0.2)


def test_the_operator_may_end_it_after_any_test(isolate):
    watcher = Asked("do", "end")
    ran = isolate("relay-dead", watcher=watcher)
    assert [done.test for done in last(ran).done] == ["turns"]
    assert ran.ended.state is RunState.FINISHED
    assert not last(ran).conclusion.sure
    assert watcher.fed_when_asked == 0


def test_a_proposal_tells_the_test_its_minutes_and_why(isolate):
    watcher = Asked()
    isolate("relay-dead", watcher=watcher)
    ask = next(ask for ask in watcher.asked if ask.action == "next_test")
    assert ask.allowed == ("do", "skip", "end")
    assert ask.detail["test"] == "turns"
    assert "Half-turns, own relay (about 0.6 min)" in ask.text
    assert "it tells most" in ask.text


@pytest.mark.parametrize("fault", ["jammed=90", "seized-cable=5", "cam-welded"])
def test_a_stall_or_a_run_on_is_an_observation_not_the_end(isolate, fault):
    ran = isolate(fault, watcher=Asked("do", "do", "end"))
    assert ran.ended.state is RunState.FINISHED
    assert len([done for done in last(ran).done if done.counts]) == 2
    assert any(note.kind in ("trip_stall", "trip_run_on") for note in ran.watcher.of(Noted))
    assert ran.verdict == "fail"


def test_the_motor_is_fed_directly_for_half_a_second_and_comes_home(isolate):
    class Only(Guesser):
        def propose(self, seen, possible):
            found = super().propose(seen, possible)
            return None if found is None or seen else replace(found, test="direct")

    seen = []

    def look(backend, watcher):
        def sample(_, one):
            unit = backend.world.stations["A"].unit
            if unit.direct:
                seen.append((one.time_s, one.battery_feed, unit.hooked))

        watcher.at_sample = sample

    ran = isolate(before=look, mind=Only())
    fed = [time_s for time_s, made, _ in seen if made]
    assert 0.45 < fed[-1] - fed[0] < 0.56
    assert not any(hooked for _, _, hooked in seen)
    unit = ran.backend.world.stations["A"].unit
    assert not unit.direct
    assert unit.hooked
    assert min(unit.angle_deg, 360.0 - unit.angle_deg) < 5.0  # parked at stop by its own cam
    step = next(step for step in ran.record.steps if step.answers.get("test") == "direct")
    assert step.measures[0].name == "direct_feed_a"
    # Dry and viscous friction of the parameters at some 395 rad/s, no cable: 1.29 A.
    assert step.measures[0].value == pytest.approx((0.030 + 2e-5 * 395) / 0.0293, rel=0.05)


def test_an_emergency_stop_in_a_test_takes_the_feeds_off_and_is_recorded(isolate):
    class Presser(Watcher):
        pressed = False

        def listen(self):
            if self.pressed or not self.samples or not self.samples[-1].battery_feed:
                return []
            self.pressed = True
            return [Meddle("press_emergency_stop")]

    watcher = Presser()
    ran = isolate("relay-dead", watcher=watcher)
    assert ran.ended.state is RunState.INTERRUPTED
    assert "Emergency stop" in ran.ended.note
    assert ran.ended.feeds_off
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert ran.record.end.state is RunState.INTERRUPTED
    assert ran.record.steps[-1].state is StepState.CUT_SHORT
    assert ran.verdict == "retest"


def test_a_trip_of_the_unit_that_no_test_survives_ends_it_with_what_is_known(isolate):
    """Too much current for long: nobody goes on feeding that, whatever it would tell."""
    head = HEAD.replace("over_current_a = 30.0", "over_current_a = 12.0")
    head = head.replace("turn_vs = 7.36", "turn_vs = 7.36\nstall_a = 11.0")
    ran = isolate("jammed=90", plan=make_plan(head=head))
    assert ran.ended.state is RunState.FINISHED
    assert (ran.verdict, ran.ended.feeds_off) == ("fail", True)
    assert "over the plan's 12 A" in ran.ended.note
    assert last(ran).conclusion is not None
    assert not last(ran).conclusion.sure
    assert ran.record.steps[-1].kind == "ranking"


def test_a_stop_between_tests_tells_what_was_known(isolate):
    watcher = Watcher()

    def stop():
        if len(watcher.of(StepEnded)) == 3:
            raise Stopped("Stopped: somebody came to the jig.", by_operator=True)
        return ()

    watcher.on_listen = stop
    ran = isolate("relay-dead", watcher=watcher)
    assert ran.ended.state is RunState.STOPPED
    reason = next(r for r in ran.ended.judgement.reasons if r.measure == "run")
    assert "The isolation was left after 2 tests." in reason.text
    assert len([step for step in ran.record.steps if step.answers.get("ranking")]) == 2


def test_what_cannot_be_done_is_left_out_and_the_rest_goes_on(isolate):
    watcher = Asked(*["do"] * 9)
    watcher.answers["fit_known_good_relay"] = "cannot"
    ran = isolate("relay-dead", watcher=watcher)
    told = {done.test: done for done in last(ran).done}
    assert told["known_good_relay"].told == "could not be done"
    assert not told["known_good_relay"].counts
    assert told["direct"].counts


class Direct(Guesser):
    """Wants the motor fed directly, and nothing else."""

    def propose(self, seen, possible):
        found = super().propose((), ("turns",))
        return replace(found, test="direct") if "direct" in possible else None


def test_a_cable_that_was_unhooked_for_nothing_is_hooked_up_again(isolate):
    watcher = Asked(*["do"] * 9)
    watcher.answers["feed_motor_directly"] = "cannot"
    ran = isolate(watcher=watcher, mind=Direct())
    assert last(ran).done[-1].told == "could not be done"
    assert [ask.action for ask in watcher.asked][-4:] == [
        "unhook_cable",
        "feed_motor_directly",
        "restore_wiring",  # a lead may be off all the same
        "hook_up_cable",
    ]
    assert ran.backend.world.stations["A"].unit.hooked
    watcher = Asked(*["do"] * 9)
    watcher.answers |= {"feed_motor_directly": "cannot", "hook_up_cable": "cannot"}
    ran = isolate(watcher=watcher, mind=Direct())
    assert any("The cable is not hooked up" in reason.text for reason in _reasons(ran))


def _wiring_stays_off(backend, watcher):
    hands, real = backend.hands, backend.hands.do
    hands.do = lambda action, detail: "done" if action == "restore_wiring" else real(action, detail)


@pytest.mark.parametrize(("faults", "before"), [((), _wiring_stays_off), (("battery-open",), None)])
def test_a_lever_that_does_not_come_home_never_meets_its_cable(isolate, faults, before):
    """Whether the leads are not back as was said, or the unit cannot."""
    watcher = Asked("do", "do")
    ran = isolate(*faults, watcher=watcher, before=before, mind=Direct())
    assert "hook_up_cable" not in [ask.action for ask in watcher.asked]
    assert [done.test for done in last(ran).done] == ["direct"]  # and nothing else is fed
    assert ran.verdict == "retest"
    text = "did not bring its lever back to stop"
    assert any(text in reason.text for reason in _reasons(ran))
    assert any(text in note.text for note in watcher.of(Noted) if note.kind == "left_behind")
    assert not feeds_are_on(ran.backend, SETTINGS)


def test_what_a_stop_leaves_at_the_jig_is_told(isolate):
    class Stopper(Asked):
        def listen(self):
            if self.samples and self.samples[-1].battery_feed:
                raise Stopped("Stopped: somebody came to the jig.", by_operator=True)
            return ()

    watcher = Stopper("do")
    ran = isolate(watcher=watcher, mind=Direct())
    assert ran.ended.state is RunState.STOPPED
    assert not feeds_are_on(ran.backend, SETTINGS)
    text = "The motor is still on the rig's own leads. The cable is not hooked up to the lever."
    assert any(reason.text.startswith(text) for reason in _reasons(ran))
    assert text in [note.text for note in watcher.of(Noted) if note.kind == "left_behind"]


def test_a_look_that_cannot_be_taken_does_not_count(isolate):
    watcher = Asked(*["do"] * 9)
    watcher.answers["inspect"] = "cannot"
    ran = isolate("ignition-open", watcher=watcher)
    told = {done.test: done for done in last(ran).done}
    assert told["look_ignition_feed"].told == "not seen"
    assert not told["look_ignition_feed"].counts


def test_a_relay_that_is_not_put_back_ends_it_there(isolate):
    watcher = Asked(*["do"] * 9)
    watcher.answers["fit_own_relay"] = "cannot"
    ran = isolate("relay-dead", watcher=watcher)
    assert last(ran).done[-1].test == "known_good_relay"
    assert ran.ended.state is RunState.FINISHED
    assert any("known good relay is still in the unit" in r.text for r in _reasons(ran))


def _reasons(ran):
    return ran.ended.judgement.reasons


def test_a_test_may_be_repeated_and_the_later_result_counts(isolate):
    class Again(Asked):
        wished = False

        def listen(self):
            begun = [event for event in self.of(StepBegan) if event.kind == "guided"]
            if begun and not self.wished:
                self.wished = True
                return [RepeatStep()]
            return []

    ran = isolate("relay-dead", watcher=Again("do", "end"))
    assert [done.test for done in last(ran).done] == ["turns"]
    titles = [step.title for step in ran.record.steps]
    assert titles.count("Half-turns, own relay") == 1
    assert "Half-turns, own relay (repeated)" in titles


def test_a_sensor_that_is_lost_ends_it_as_it_ends_a_plan(isolate):
    ran = isolate("relay-dead", "sensor-absent@6")
    assert ran.ended.state is RunState.INTERRUPTED
    assert "sensor" in ran.ended.note
    assert ran.ended.feeds_off


def test_tests_that_the_rig_cannot_do_are_not_proposed(isolate):
    class Curious(Guesser):
        offered = None

        def propose(self, seen, possible):
            self.offered = set(possible)

    mind = Curious()
    isolate(mind=mind)
    assert {"low_supply", "high_supply"} <= mind.offered
    isolate(mind=mind, settings=make_settings(sample_hz=200, supply=False))
    assert mind.offered == set(TESTS) - {"low_supply", "high_supply"}


def test_every_guided_test_is_done_and_leaves_the_jig_as_it_was(isolate):
    """All of them one after the other, in one session on a sound unit."""

    class All(Guesser):
        fed: ClassVar[dict] = {}

        def see(self, name, trace, unit, limits, accuracy):
            self.fed[name] = trace.battery_feed.any() or trace.ignition_feed.any()
            return super().see(name, trace, unit, limits, accuracy)

        def propose(self, seen, possible):
            found = super().propose((), ("turns",))
            return replace(found, test=min(possible)) if possible else None

        def rank(self, seen):
            return super().rank(())

    ran = isolate(mind=All())
    assert [done.test for done in last(ran).done] == sorted(TESTS)
    assert all(done.counts for done in last(ran).done)
    assert {test for test in TESTS if not TESTS[test].is_look} == set(All.fed)
    assert all(All.fed.values())
    unit = ran.backend.world.stations["A"].unit
    assert (unit.hooked, unit.direct, unit.load_nm) == (True, False, 0.0)
    assert unit.relay is unit.own_relay
    assert ran.ended.state is RunState.FINISHED
    told = {done.test: done.told for done in last(ran).done}
    assert told["turns"] == "4 parked"
    assert told["look_cable"] == "in order"
    # V/R of the parameters: 12.0 V over 0.75 ohm and what lies before it.
    stall_a = float(re.search(r"draws ([0-9.]+) A standing still", told["jam"])[1])
    assert stall_a == pytest.approx(12.0 / 0.80, rel=0.07)


def test_a_fuse_that_blows_between_two_tests_is_fitted_and_the_test_done_again(isolate):
    class Blower(Watcher):
        blown = False

        def listen(self):
            if self.blown or len(self.of(StepEnded)) < 2:
                return []
            self.blown = True
            return [Meddle("blow_fuse")]

    class Turns(Guesser):
        def propose(self, seen, possible):
            tests = [test for test in ("turns", "known_good_relay") if test in possible]
            found = super().propose((), ("turns",))
            return replace(found, test=tests[0]) if tests else None

        def rank(self, seen):
            return super().rank(())

    ran = isolate(watcher=Blower(), mind=Turns())
    assert {done.test: done.told for done in last(ran).done} == {
        "turns": "4 parked",
        "known_good_relay": "4 parked",
    }
    titles = [step.title for step in ran.record.steps]
    assert titles.count("Half-turns, known good relay") == 2
    assert not ran.backend.world.stations["A"].fuse.blown


@pytest.mark.parametrize("fault", ["feed-relay-stuck-open", "supply-lost@5"])
def test_a_feed_without_voltage_is_the_rigs_and_ends_it(isolate, fault):
    """A new fuse does not help: nothing is counted against the unit, and nobody tests on."""
    ran = isolate(fault)
    assert ran.ended.state is RunState.INTERRUPTED
    assert "Check the rig's fuse, its supply and the feed relay" in ran.ended.note
    assert not any(done.counts for done in last(ran).done)
    assert ran.verdict == "retest"
    assert len([step for step in ran.record.steps if step.kind == "guided"]) == 2


def test_the_plan_lends_its_priors_and_minutes(records):
    head = "[isolation.priors]\nrelay-dead = 50.0\n[isolation.minutes]\ndirect = 9.0\n"
    plan = make_plan('[[step]]\nkind = "zero"\n', head)
    plain = make_order(plan, settings=SETTINGS)
    given = {field.name: getattr(plain, field.name) for field in fields(plain)}
    backend = SimulatedBackend(plain.wiring(), BackendOptions())
    mind = Isolation(IsolationOrder(**given), backend, None, Watcher())._reason
    backend.close()
    assert isinstance(mind, Learnt)
    assert mind.priors["relay-dead"] == 50.0
    assert mind.priors["sound"] == 15.0
    assert mind.minutes["direct"] == 9.0
    assert mind.minutes["turns"] == 0.6


def test_thinking_never_holds_the_control_loop_up(records):
    """In real time, since in virtual time nothing is late: the dead-man must go on toggling."""

    class Slow(Guesser):
        def rank(self, seen):
            time.sleep(0.5)  # four times as long as the dead-man timer holds
            return super().rank(seen)

    plain = make_order(settings=SETTINGS)
    given = {field.name: getattr(plain, field.name) for field in fields(plain)}
    options = BackendOptions(real_time=True)
    order = replace(IsolationOrder(**given), options=options, ask_operator=True)
    watcher = Asked("end")
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        with Store.open(records) as store:
            ended = Isolation(order, backend, DirectKeeper(store), watcher, Slow()).run()
    finally:
        backend.close()
    assert ended.state is RunState.FINISHED
    times = [sample.time_s for sample in watcher.samples]
    # Held up by the thinking it would be 0.5 s; a busy machine may hold it up for less.
    assert max(b - a for a, b in pairwise(times)) < 0.4
