"""Pausing, repeating, noting, meddling, and asking the operator, on the simulated bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench_runs import HALF_TURNS, HEAD, Watcher, feeds_are_on, make_order, make_plan, make_settings
from commander import Commander

from rig.bench.commands import Meddle, Note, Pause, RepeatStep
from rig.bench.errors import Stopped
from rig.bench.events import HalfTurnEnded, Noted, Paused, StepBegan, StepEnded, WentOn
from rig.records.model import RunState

SETTINGS = make_settings(sample_hz=500, supply=False)
JAM = '[[step]]\nkind = "jam"\nstall_s = 0.2\ncurrent_limit_a = 28.0\nrest_after_s = 0.5\n'
FOUR = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.4\n'
ZERO = '[[step]]\nkind = "zero"\n'
PARK = '[[step]]\nkind = "park_check"\n'
LOOK = '[[step]]\nkind = "visual"\nchecks = ["water_inside", "lever_free"]\n'


def order(*steps, **more):
    return make_order(make_plan(*steps), settings=SETTINGS, **more)


@pytest.mark.parametrize("after", [1, 2, 3])
def test_a_pause_comes_between_two_half_turns_and_changes_no_result(carry_out, after):
    plain = carry_out(order(FOUR))
    commander = Commander({(HalfTurnEnded, after): [Pause()]})
    paused = carry_out(order(FOUR), commander)
    assert len(commander.of(Paused)) == len(commander.of(WentOn)) == 1
    assert commander.fed_in_pause == 0
    assert paused.verdict == plain.verdict == "pass"
    assert paused.outcomes == plain.outcomes == ["parked"] * 4
    for one, other in zip(paused.record.half_turns, plain.record.half_turns, strict=True):
        assert one.half_turn_s == pytest.approx(other.half_turn_s, abs=0.02)
        assert one.rest_a == pytest.approx(other.rest_a, abs=0.02)
    kinds = [event.kind for event in paused.record.events]
    assert "paused" in kinds
    assert "went_on" in kinds


def test_the_lever_stays_where_it_is_in_a_pause(carry_out):
    seen = []

    class Looker(Commander):
        def show(self, event):
            if isinstance(event, (Paused, WentOn)):
                seen.append(backends[0].world.stations["A"].unit.angle_deg)
            super().show(event)

    backends = []
    carry_out(
        order(FOUR),
        Looker({(HalfTurnEnded, 2): [Pause()]}),  # takes effect when the third is over
        before=lambda backend, _: backends.append(backend),
    )
    assert seen[0] == pytest.approx(seen[1], abs=0.5)
    assert seen[0] == pytest.approx(180, abs=15)  # it was paused at run


def test_a_pause_of_the_park_check_and_before_a_step(carry_out):
    commander = Commander({(HalfTurnEnded, 2): [Pause()], (HalfTurnEnded, 5): [Pause()]})
    ran = carry_out(order(HALF_TURNS, PARK, HALF_TURNS), commander)
    assert len(commander.of(Paused)) == 2
    assert ran.verdict == "pass"
    assert ran.outcomes == ["parked"] * 6


def test_a_long_pause_is_not_recorded(carry_out):
    ran = carry_out(order(FOUR), Commander({(HalfTurnEnded, 2): [Pause()]}, paused_cycles=20_000))
    assert ran.verdict == "pass"
    from rig.records.store import Store

    with Store.open(ran.records) as store:
        trace = store.trace(ran.ended.run_id)
    assert np.diff(trace.time_s).max() > 30.0  # the gap is there to be seen
    assert len(trace) < 6000


def test_a_pause_longer_than_a_step_may_last_ends_nothing(carry_out):
    head = HEAD + "step_max_s = 12.0\n"
    plan = make_plan(FOUR, head=head)
    commander = Commander({(HalfTurnEnded, 2): [Pause()]}, paused_cycles=10_000)  # 20 s
    ran = carry_out(make_order(plan, settings=SETTINGS), commander)
    assert ran.ended.state is RunState.FINISHED
    assert ran.verdict == "pass"


def test_a_stop_and_an_emergency_stop_end_a_pause(carry_out):
    class Presser(Commander):
        def show(self, event):
            super().show(event)
            if isinstance(event, Paused):
                self.pending.append(Meddle("press_emergency_stop"))

    ran = carry_out(order(FOUR), Presser({(HalfTurnEnded, 1): [Pause()]}))
    assert ran.ended.state is RunState.INTERRUPTED
    assert "Emergency stop" in ran.ended.note
    assert ran.verdict == "retest"
    assert not feeds_are_on(ran.backend, SETTINGS)


def test_a_run_that_is_stopped_before_anything_is_fed_gives_no_verdict(carry_out):
    def stop():
        raise Stopped("Stopped: somebody came to the jig.", by_operator=True)

    ran = carry_out(order(FOUR), Watcher(listen=stop))
    assert (ran.ended.state, ran.verdict) == (RunState.STOPPED, "none")
    assert ran.record.end.note == "Stopped: somebody came to the jig."
    # Unless something was found already.
    watcher = Watcher(answers={"inspect": "fault"})
    watcher.on_listen = lambda: stop() if watcher.of(StepEnded) else ()
    ran = carry_out(order(LOOK, FOUR, PARK), watcher, hands=False)
    assert (ran.ended.state, ran.verdict) == (RunState.STOPPED, "fail")
    assert not any(sample.battery_feed for sample in watcher.samples)


def test_what_ended_a_run_is_its_first_reason_and_tells_what_was_left_out(carry_out):
    watcher = Watcher()

    def stop():
        if len(watcher.of(HalfTurnEnded)) == 2:
            raise Stopped("Stopped: somebody came to the jig.", by_operator=True)
        return ()

    watcher.on_listen = stop
    ran = carry_out(order(FOUR, PARK, FOUR), watcher)
    assert (ran.ended.state, ran.verdict) == (RunState.STOPPED, "retest")
    assert ran.ended.judgement.reasons[0].text == (
        "Stopped: somebody came to the jig. The plan was left in step 1 of 3, so it cannot pass "
        "the unit. Steps 2 to 3 were not done."
    )


def test_a_run_that_is_stopped_between_steps_says_so(carry_out):
    class Stopper(Commander):
        """Stops in the first pause."""

        def listen(self):
            if self.of(Paused):
                raise Stopped("Stopped: somebody came to the jig.", by_operator=True)
            return super().listen()

    for steps, said in (
        ((FOUR, ZERO, PARK), "The plan was left after step 2 of 3, so it cannot pass the unit."),
        ((FOUR, ZERO), "The plan was left after its last step, before it was over, so it cannot"),
    ):
        ran = carry_out(order(*steps), Stopper({(StepBegan, 2): [Pause()]}))
        assert [str(step.state) for step in ran.record.steps] == ["done", "done"]
        assert (ran.ended.state, ran.verdict) == (RunState.STOPPED, "retest")
        assert said in ran.ended.judgement.reasons[0].text
    # What was repeated to its end by then has counted.
    ran = carry_out(
        order(FOUR, ZERO, PARK),
        Stopper({(StepBegan, 2): [RepeatStep()], (StepBegan, 3): [Pause()]}),
    )
    assert len(ran.record.steps) == 3
    texts = [reason.text for reason in ran.ended.judgement.reasons]
    assert any("(Sensor zero) was done twice and the last time" in text for text in texts)


def test_a_stop_in_the_rest_before_a_step_is_in_that_step(carry_out):
    watcher = Watcher()

    def stop():
        if len(watcher.of(StepBegan)) == 2:
            raise Stopped("Stopped: somebody came to the jig.", by_operator=True)

    watcher.on_listen = stop
    ran = carry_out(order(HALF_TURNS, PARK), watcher)
    assert [str(step.state) for step in ran.record.steps] == ["done", "cut_short"]
    assert "left in step 2 of 2" in ran.ended.judgement.reasons[0].text


def test_a_jam_that_ends_a_run_is_told_before_what_the_unit_did_earlier(carry_out):
    commander = Commander({(HalfTurnEnded, 2): [Meddle("lock_lever")]})
    ran = carry_out(order(FOUR, PARK, faults=["dry-gear"]), commander)
    assert ran.verdict == "fail"
    first, second, *others = ran.ended.judgement.reasons
    assert (first.measure, first.half_turn) == ("outcome", 3)
    assert first.text.startswith("Half-turn 3 (to run) stalled.")
    assert second.measure == "guard"
    assert second.text.endswith("Step 2 was not done.")
    assert {1, 2} <= {other.half_turn for other in others if other.verdict == "fail"}


def test_a_step_is_repeated_in_the_pause_after_it(carry_out):
    commander = Commander({(StepBegan, 1): [Pause()], (Paused, 1): [RepeatStep(True)]})
    ran = carry_out(order(ZERO, FOUR), commander)
    assert [began.repeated for began in commander.of(StepBegan)] == [False, True, False]
    assert [(step.kind, step.title.endswith("(repeated)")) for step in ran.record.steps] == [
        ("zero", False),
        ("zero", True),
        ("half_turns", False),
    ]
    assert ran.verdict == "pass"


def test_a_unit_that_draws_when_fed_again_after_a_pause_is_seen(carry_out):
    # The relay welds in the pause: battery on, ignition made, yet the wrong track is fed.
    def meddle(sample_number, sample):
        if commander.of(Paused) and not commander.of(WentOn) and not done:
            done.append(1)
            commander.pending.append(Meddle("apply_fault", {"fault": "relay-dead"}))

    done = []
    commander = Commander({(HalfTurnEnded, 1): [Pause()]}, at_sample=meddle)
    ran = carry_out(order(FOUR), commander)
    assert ran.verdict == "fail"
    assert ran.outcomes[0] == "parked"


def test_a_step_is_repeated_once_and_both_are_in_the_record(carry_out):
    commander = Commander({(HalfTurnEnded, 1): [RepeatStep()]})
    ran = carry_out(order(HALF_TURNS, PARK), commander)
    assert [(b.number, b.repeated) for b in commander.of(StepBegan)] == [
        (1, False),
        (1, True),
        (2, False),
    ]
    assert [(s.number, s.title) for s in ran.record.steps] == [
        (1, "Half-turns"),
        (2, "Half-turns (repeated)"),
        (3, "Park check"),
    ]
    assert ran.verdict == "pass"


def test_the_wish_to_repeat_can_be_taken_back(carry_out):
    commander = Commander(
        {(HalfTurnEnded, 1): [RepeatStep()], (HalfTurnEnded, 2): [RepeatStep(wanted=False)]}
    )
    assert len(carry_out(order(FOUR), commander).record.steps) == 1


def test_a_repetition_clears_a_doubt_but_never_a_fault(carry_out):
    """A feed that was not there is a doubt; a slow half-turn is a fault."""
    doubt = Commander(
        {
            (HalfTurnEnded, 1): [
                RepeatStep(),
                Meddle("apply_fault", {"fault": "feed-relay-stuck-open"}),
            ],
            (HalfTurnEnded, 4): [Meddle("clear_fault", {"name": "feed-relay-stuck-open"})],
        }
    )
    ran = carry_out(order(FOUR), doubt)
    assert len(ran.record.steps) == 2
    assert {str(t.outcome) for t in ran.record.steps[0].half_turns} != {"parked"}
    assert ran.verdict == "pass"
    fault = Commander(
        {
            (HalfTurnEnded, 1): [RepeatStep(), Meddle("apply_fault", {"fault": "dry-gear=5"})],
            (HalfTurnEnded, 4): [Meddle("clear_fault", {"name": "dry-gear"})],
        }
    )
    ran = carry_out(order(FOUR), fault)
    assert len(ran.record.steps) == 2
    assert [str(t.outcome) for t in ran.record.steps[1].half_turns] == ["parked"] * 4
    assert ran.verdict == "fail"


def test_notes_and_meddling_are_in_the_record(carry_out):
    commander = Commander(
        {
            (StepBegan, 1): [
                Note("the gear sounds dry"),
                Meddle("apply_fault", {"fault": "dry-gear=2"}),
                Meddle("apply_fault", {"fault": "no-such"}),
                Meddle("polish"),
            ]
        }
    )
    ran = carry_out(order(HALF_TURNS), commander)
    events = [(e.kind, e.text) for e in ran.record.events]
    assert ("note", "the gear sounds dry") in events
    worlds = [text for kind, text in events if kind == "world"]
    assert "dry-gear=2 is on" in worlds[0]
    assert worlds[1].startswith("Not done: There is no fault 'no-such'.")
    assert worlds[2].startswith("Not done: The hands cannot do 'polish'.")


def test_a_real_bench_cannot_be_meddled_with(carry_out):
    commander = Commander({(StepBegan, 1): [Meddle("lock_lever")]})
    carry_out(order(HALF_TURNS), commander, hands=False)
    (world,) = [note for note in commander.of(Noted) if note.kind == "world"]
    assert world.text.startswith("Nothing was done")


def test_the_operator_is_asked_where_the_order_says_so(carry_out):
    asking = replace(order(LOOK), ask_operator=True)
    watcher = Watcher(answers={"inspect": "ok"})
    ran = carry_out(asking, watcher)
    assert [ask.action for ask in watcher.asked] == ["inspect", "inspect"]
    assert [ask.seen for ask in watcher.asked] == ["ok", "ok"]
    assert ran.record.steps[0].answers == {"water_inside": "ok", "lever_free": "ok"}


def test_what_the_operator_says_was_done_is_done_to_the_simulated_jig(carry_out):
    watcher = Watcher(answers={"lock_lever": "done", "free_lever": "done"})
    ran = carry_out(replace(order(JAM), ask_operator=True), watcher)
    assert [ask.action for ask in watcher.asked] == ["lock_lever", "free_lever"]
    assert "stalled" in ran.outcomes  # the lever was locked
    assert ran.backend.world.stations["A"].unit.at_rest


@pytest.mark.parametrize("asked", [False, True])
def test_a_load_that_cannot_be_hung_any_more_leaves_its_step_out(carry_out, asked):
    loaded = '[[step]]\nkind = "loaded"\nload_nm = 2.0\ncount = 2\n'
    script = {(HalfTurnEnded, 2): [Meddle("remove_unit")]}
    answers = {"hang_load": "done", "remove_load": "done", "accept_cautions": "accepted"}
    ran = carry_out(
        replace(order(HALF_TURNS, loaded), ask_operator=asked), Commander(script, answers=answers)
    )
    worlds = [event.text for event in ran.record.events if event.kind == "world"]
    assert any(text.startswith("Not done: There is no unit") for text in worlds)
    assert "program failed" not in ran.ended.note
    assert [str(step.state) for step in ran.record.steps] == ["done", "skipped"]
    assert not feeds_are_on(ran.backend, SETTINGS)


@pytest.mark.parametrize(
    ("kind", "answers"),
    [
        ("loaded", {"hang_load": "done", "remove_load": "cannot"}),
        ("jam", {"lock_lever": "done", "free_lever": "cannot"}),
        ("relay_swap", {"fit_known_good_relay": "done", "fit_own_relay": "cannot"}),
    ],
)
def test_what_cannot_be_put_back_ends_the_run_before_another_step_meets_it(
    carry_out, kind, answers
):
    text = {
        "loaded": '[[step]]\nkind = "loaded"\nload_nm = 2.0\ncount = 2\n',
        "jam": JAM,
        "relay_swap": '[[step]]\nkind = "relay_swap"\ncount = 2\n',
    }[kind]
    asking = replace(order(text, HALF_TURNS), ask_operator=True)
    ran = carry_out(asking, Watcher(answers=answers))
    assert (ran.ended.state, ran.verdict) == (RunState.INTERRUPTED, "retest")
    assert "still" in ran.ended.note
    (step,) = ran.record.steps
    assert str(step.state) == "done"
    assert step.half_turns  # what was measured is kept
    assert ran.ended.judgement.reasons[0].text.startswith(ran.ended.note)
    # Where nothing follows, the next unit or the next shop would meet it.
    asking = replace(order(HALF_TURNS, text), ask_operator=True)
    ran = carry_out(asking, Watcher(answers=answers))
    assert (ran.ended.state, ran.verdict) == (RunState.FINISHED, "retest")
    assert "still" in ran.ended.judgement.reasons[0].text
    assert [event.kind for event in ran.record.events].count("left_behind") == 1
