"""What an isolation has done at the jig: asked, undone, noted, and told if it is left there."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import ClassVar

import pytest
from bench_runs import HALF_TURNS, HEAD, feeds_are_on, make_plan
from guesser import Guesser
from isolations import SETTINGS, Asked, last, reasons

from rig.analysis.faults.guided import TESTS
from rig.bench.errors import Stopped
from rig.bench.events import Noted, StepEnded
from rig.records.model import RunState


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
    assert step.measures[0].value == pytest.approx((0.044 + 2.9e-5 * 395) / 0.0293, rel=0.05)


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
    assert any("The cable is not hooked up" in reason.text for reason in reasons(ran))


class Stopper(Asked):
    """Stops it as soon as the battery feed is made."""

    def listen(self):
        if self.samples and self.samples[-1].battery_feed:
            raise Stopped("Stopped: somebody came to the jig.", by_operator=True)
        return ()


def test_what_a_stop_leaves_at_the_jig_is_told(isolate):
    watcher = Stopper("do")
    ran = isolate(watcher=watcher, mind=Direct())
    assert ran.ended.state is RunState.STOPPED
    assert not feeds_are_on(ran.backend, SETTINGS)
    text = "The motor is still on the rig's own leads. The cable is not hooked up to the lever."
    assert any(reason.text.startswith(text) for reason in reasons(ran))
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
    assert any("known good relay is still in the unit" in r.text for r in reasons(ran))


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
    # V/R of the parameters: 12.0 V over 0.51 ohm and what lies before it.
    stall_a = float(re.search(r"draws ([0-9.]+) A standing still", told["jam"])[1])
    assert stall_a == pytest.approx(12.0 / 0.56, rel=0.07)


ACTIONS = ["unhook_cable", "feed_motor_directly", "restore_wiring"]
NOT_HOME = "The unit did not come back to stop after its wiring was put back; the motor may still"


def _not_home(ran):
    """No cable goes on, the next test is not begun, and nothing of it is the unit's fault."""
    asked = [ask.action for ask in ran.watcher.asked if ask.action != "next_test"]
    assert asked[-3:] == ACTIONS
    assert not ran.backend.world.stations["A"].unit.hooked
    assert not feeds_are_on(ran.backend, SETTINGS)
    assert ran.verdict == "retest"
    text = next(reason.text for reason in reasons(ran) if reason.measure == "run")
    assert text.startswith(NOT_HOME)
    assert "bring the lever to stop" in text
    assert [note.text for note in ran.watcher.of(Noted) if note.kind == "left_behind"]
    assert [done.test for done in last(ran).done] == ["direct"]


def test_a_motor_left_on_the_rigs_leads_keeps_the_cable_off(isolate):
    """The operator says "done" while the leads are still on the motor of a sound unit."""

    def forget(backend, watcher):
        real = backend.hands.do

        def do(action, detail):
            return "wiring put back" if action == "restore_wiring" else real(action, detail)

        backend.hands.do = do

    ran = isolate(watcher=Asked(*["do"] * 9), mind=Direct(), before=forget)
    assert ran.backend.world.stations["A"].unit.direct
    _not_home(ran)


@pytest.mark.parametrize("fault", ["battery-open", "relay-dead", "ignition-open"])
def test_a_unit_that_cannot_come_home_keeps_the_cable_off(isolate, fault):
    ran = isolate(fault, watcher=Asked(*["do"] * 9), mind=Direct())
    assert not ran.backend.world.stations["A"].unit.direct
    _not_home(ran)


def test_wiring_that_is_not_put_back_keeps_the_cable_off(isolate):
    watcher = Asked(*["do"] * 9)
    watcher.answers["restore_wiring"] = "cannot"
    ran = isolate(watcher=watcher, mind=Direct())
    assert "hook_up_cable" not in [ask.action for ask in watcher.asked]
    text = "The motor is still on the rig's own leads. The cable is not hooked up to the lever."
    assert any(reason.text.startswith(text) for reason in reasons(ran))


class Only(Guesser):
    """Wants one test, and nothing else."""

    def __init__(self, test):
        self.test = test

    def propose(self, seen, possible):
        found = super().propose((), ("turns",))
        return replace(found, test=self.test) if self.test in possible else None


@pytest.mark.parametrize(
    ("fault", "said"), [((), "at stop"), (("battery-open",), "where it stands")]
)
def test_the_lever_is_locked_at_stop_only_if_it_was_seen_to_come_there(isolate, fault, said):
    watcher = Asked("do")
    watcher.answers |= {"lock_lever": "done", "free_lever": "done"}
    isolate(*fault, watcher=watcher, mind=Only("jam"))
    text = next(ask.text for ask in watcher.asked if ask.action == "lock_lever")
    assert f"Lock the lever {said}" in text


def test_hands_are_away_before_the_motor_is_fed_directly(isolate):
    watcher = Asked("do")
    isolate(watcher=watcher, mind=Direct())
    text = next(ask.text for ask in watcher.asked if ask.action == "feed_motor_directly")
    assert "take your hands away" in text


def test_a_lamp_that_a_stop_leaves_on_is_told(isolate):
    watcher = Stopper("do")
    ran = isolate(watcher=watcher, mind=Only("look_battery_feed"))
    text = "The test lamp or meter may still be clipped to the unit."
    assert text in [note.text for note in watcher.of(Noted) if note.kind == "left_behind"]
    assert any(reason.text.startswith(text) for reason in reasons(ran))


@pytest.mark.parametrize("test", ["low_supply", "high_supply"])
def test_half_turns_at_another_voltage_are_not_held_against_the_limits(isolate, test):
    head = HEAD.replace("run_max_a = 7.0", "run_max_a = 0.2")  # no unit runs on so little
    ran = isolate(plan=make_plan(head=head), mind=Only(test))
    assert [done.test for done in last(ran).done] == [test]
    assert ran.record.half_turns
    assert ran.verdict == "retest"
    assert isolate(plan=make_plan(head=head), mind=Only("turns")).verdict == "fail"


def test_what_was_done_at_the_jig_is_in_the_record_before_the_feed(isolate):
    """On a real bench nobody but the operator knows; a run that is lost leaves this behind."""

    class AtTheJig(Asked):
        def ask(self, ask, wait):
            answer = super().ask(ask, wait)
            if ask.action != "next_test":
                self.hands.do(ask.action, ask.detail)
            return answer

    def alone(backend, watcher):
        watcher.hands, backend.hands = backend.hands, None

    watcher = AtTheJig("do")
    watcher.answers["accept_cautions"] = "accepted"
    ran = isolate(watcher=watcher, mind=Direct(), before=alone)
    notes = [event for event in ran.record.events if event.kind == "jig"]
    clipped = next(note for note in notes if "clip the rig's battery feed" in note.text)
    fed_s = next(sample.time_s for sample in watcher.samples if sample.battery_feed)
    assert clipped.time_s < fed_s
    assert [note.text.split()[4] for note in notes] == ["Unhook", "Unplug", "Take", "Hook"]


def test_without_a_cable_on_the_jig_none_is_hooked_up_after_the_motor_was_fed_directly(isolate):
    plan = make_plan('[isolation]\nat_hand = ["own_relay", "wiring"]\n', HALF_TURNS)
    watcher = Asked("do")
    ran = isolate(watcher=watcher, plan=plan, mind=Direct())
    errands = [ask for ask in watcher.asked if ask.action != "next_test"]
    actions = [ask.action for ask in errands]
    assert actions[-3:] == ["unhook_cable", "feed_motor_directly", "restore_wiring"]
    assert "with no cable on it" in errands[-3].text
    assert not ran.watcher.of(StepEnded)[-1].note
    assert last(ran).left_out[0].startswith("The cable is not on the lever")
    assert ran.record.steps[-1].answers["not looked for"] == list(last(ran).left_out)
