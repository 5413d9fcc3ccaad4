"""What the console knows of a job, event by event."""

from uuid import UUID

import pytest
from bench_runs import make_order, make_settings
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.model import Direction, HalfTurn, Measure, Outcome
from rig.bench.events import (
    Asked,
    CheckItem,
    HalfTurnEnded,
    ItemState,
    Noted,
    Paused,
    Ready,
    Refused,
    RigCheckEnded,
    RunBegan,
    RunEnded,
    StepBegan,
    StepEnded,
    WentOn,
    ZeroFound,
)
from rig.bench.order import ByHandOrder, RigCheckOrder
from rig.bench.requests import Ask
from rig.console.job_state import over_state
from rig.console.live_job import Live, Phase
from rig.console.turn_rows import turn_rows
from rig.records.model import RunState, StepState

RUN = UUID(int=7)
BEGAN = RunBegan(RUN, "A", "Test plan", 3, 40.0, True, {})
STEP = StepBegan(2, 3, "half_turns", "Half-turns", 6.0, 10.0, 4, False, 20.0)
TURN = HalfTurnEnded(True, True, 0.72)
PAUSED = Paused("Paused by the operator, feeds off.")
ASKED = Asked(Ask("inspect", "Is the cable whole?", ("ok", "fault", "cannot")))
NOTED = Noted("trip_stall", "The unit stands still, fed.", 12.5)
MEASURED = tuple(HalfTurn(n, Direction.TO_RUN, Outcome.PARKED, n * 1.0) for n in (1, 2))
STEP_ENDED = StepEnded(
    2, "half_turns", "Half-turns", StepState.DONE, (Measure("rest_a", 0.0, "A"),), MEASURED, ""
)
ENDED = RunEnded(RUN, RunState.FINISHED, None, True, "")
REFUSED = Refused("The sensor does not answer.")
ITEM = CheckItem("battery_relay", "Battery relay", ItemState.GOOD, "It clicked.")
ZERO = ZeroFound("A", 0.012, 0.001, 0.003, 0.0)
CHECKED = RigCheckEnded(True, True, "All in order.")


def live_after(*events, job=None):
    live = Live(job=job, phase=Phase.STARTING)
    for event in events:
        live.take(event)
    return live


def test_no_job_since_the_console_was_opened():
    live = Live()
    assert not live.on
    assert live.phase is Phase.NONE
    assert live.time_left_s(3.0) is None


def test_a_bench_that_is_ready_changes_nothing():
    assert live_after(Ready()).phase is Phase.STARTING
    ended = live_after(BEGAN, ENDED)
    ended.take(Ready())
    assert ended.phase is Phase.ENDED


def test_a_run_that_began_is_on():
    live = live_after(BEGAN)
    assert live.on
    assert live.began is BEGAN
    assert live.phase is Phase.ON


def test_a_step_begins_with_none_of_the_last_steps_half_turns_or_wishes():
    live = live_after(BEGAN, STEP, TURN)
    live.repeat_wanted = True
    live.take(STEP)
    assert live.step is STEP
    assert live.step_on
    assert live.step_turns == []
    assert not live.repeat_wanted


def test_half_turns_gather_as_they_fall():
    other = HalfTurnEnded(False, False, 3.0)
    assert live_after(BEGAN, STEP, TURN, other).step_turns == [TURN, other]


def test_a_step_that_ended_is_kept_with_its_measured_half_turns():
    live = live_after(BEGAN, STEP, TURN, STEP_ENDED)
    assert live.steps == [STEP_ENDED]
    assert not live.step_on
    assert live.half_turns == list(MEASURED)
    assert live.step is STEP  # still what is shown until the next begins


def test_a_pause_is_wished_for_then_is():
    live = live_after(BEGAN, STEP)
    live.pause_wanted = True
    live.take(PAUSED)
    assert live.phase is Phase.PAUSED
    assert live.on
    assert not live.pause_wanted
    live.take(WentOn())
    assert live.phase is Phase.ON
    assert not live.pause_wanted


def test_a_question_is_open_until_the_job_is_over():
    live = live_after(BEGAN, ASKED)
    assert live.asked is ASKED
    live.take(ENDED)
    assert live.asked is None


def test_notes_are_kept_in_order():
    other = Noted("world", "lever locked", 13.0)
    assert live_after(BEGAN, NOTED, other).notes == [NOTED, other]


@pytest.mark.parametrize(
    ("event", "phase", "where"),
    [
        (ENDED, Phase.ENDED, "ended"),
        (REFUSED, Phase.REFUSED, "refused"),
        (CHECKED, Phase.ENDED, "checked"),
    ],
)
def test_an_end_is_an_end(event, phase, where):
    live = live_after(BEGAN, STEP, ASKED)
    live.pause_wanted = live.repeat_wanted = True
    live.take(event)
    assert live.phase is phase
    assert getattr(live, where) is event
    assert not live.on
    assert not live.step_on
    assert live.asked is None
    assert not live.pause_wanted
    assert not live.repeat_wanted


def test_a_bench_that_died_leaves_what_was_known_and_no_question():
    live = live_after(BEGAN, STEP, STEP_ENDED, ASKED)
    live.gone()
    assert live.phase is Phase.GONE
    assert not live.on
    assert live.asked is None
    assert live.steps == [STEP_ENDED]


def test_items_of_the_self_check_by_name_in_the_order_they_were_announced():
    names = ("battery_relay", "ignition_relay", "emergency_stop")
    announced = [CheckItem(name, name, ItemState.OPEN) for name in names]
    live = live_after(*announced, CheckItem(names[1], names[1], ItemState.GOING))
    live.take(CheckItem(names[1], names[1], ItemState.GOOD, "It clicked."))
    assert list(live.items) == list(names)
    assert live.items["ignition_relay"].state is ItemState.GOOD
    assert live.items["emergency_stop"].state is ItemState.OPEN
    assert live.phase is Phase.ON


def test_the_zero_found_is_kept():
    live = live_after(ZERO)
    assert live.zero is ZERO
    assert live.phase is Phase.ON


def test_what_kind_of_job_it_is():
    run = make_order()
    by_hand = ByHandOrder(**{f: getattr(run, f) for f in run.__dataclass_fields__})
    check = RigCheckOrder(make_settings(), make_settings().stations[0])
    told = [(live_after(job=j).by_hand, live_after(job=j).rig_check) for j in (run, by_hand, check)]
    assert told == [(False, False), (True, False), (False, True)]


@pytest.mark.parametrize(
    ("now_s", "left_s"),
    [(10.0, 26.0), (13.0, 23.0), (16.0, 20.0), (60.0, 20.0), (9.0, 26.0)],
)
def test_the_time_left_is_the_plans_and_a_late_step_counts_as_nearly_done(now_s, left_s):
    assert live_after(BEGAN).time_left_s(now_s) == 40.0
    assert live_after(BEGAN, STEP).time_left_s(now_s) == left_s


def test_a_pause_takes_no_time_and_a_repetition_takes_the_steps_time_once_more():
    live = live_after(BEGAN, STEP)
    assert live.time_left_s(12.0) == 24.0
    live.take(Noted("paused", "Paused.", 12.0))
    live.take(PAUSED)
    assert live.time_left_s(50.0) == 24.0
    live.repeat_wanted = True
    assert live.time_left_s(50.0) == 30.0
    live.take(Noted("went_on", "Going on.", 60.0))
    live.take(WentOn())
    assert live.time_left_s(61.0) == 29.0
    live.take(STEP_ENDED)
    assert live.time_left_s(62.0) == 26.0  # the repetition and what comes after
    again = StepBegan(2, 3, "half_turns", "Half-turns", 6.0, 62.0, 4, True, 20.0)
    live.take(again)
    assert live.time_left_s(62.0) == 26.0


def test_a_step_can_be_repeated_while_it_is_on_and_in_the_pause_after_it():
    assert not live_after(BEGAN, PAUSED).can_repeat
    assert live_after(BEGAN, STEP).can_repeat
    assert not live_after(BEGAN, STEP, STEP_ENDED).can_repeat
    assert live_after(BEGAN, STEP, STEP_ENDED, PAUSED).can_repeat


@pytest.mark.parametrize(
    ("after_s", "parked", "outcome", "good"),
    [
        (0.7, True, "parked", True),
        (0.97, True, "parked, near the limit", True),
        (1.03, True, "parked, near the limit", True),
        (1.06, True, "slow", False),
        (0.7, False, "did not park", False),
    ],
)
def test_a_half_turn_over_the_limit_is_never_shown_as_good(after_s, parked, outcome, good):
    live = live_after(BEGAN, STEP, HalfTurnEnded(True, parked, after_s))
    (row,) = turn_rows(live, 1.0)
    assert (row.outcome, row.good) == (outcome, good)
    (unjudged,) = turn_rows(live)
    assert unjudged.outcome == ("parked" if parked else "did not park")


EVENTS = st.sampled_from(
    [BEGAN, STEP, TURN, PAUSED, WentOn(), ASKED, NOTED, STEP_ENDED, ITEM, ZERO, Ready()]
)


@given(st.lists(EVENTS, max_size=12), st.sampled_from([ENDED, REFUSED, CHECKED, None]))
def test_whatever_came_before_the_end_ends_it(events, end):
    live = live_after(*events)
    assert live.on
    if end is None:
        live.gone()
    else:
        live.take(end)
    assert not live.on
    assert live.asked is None
    left_s = live.time_left_s(1e6)
    assert left_s is None or left_s >= 0.0


def test_a_trouble_after_the_end_hides_no_end():
    live = live_after(BEGAN, STEP, ENDED, REFUSED)
    assert live.phase is Phase.ENDED
    assert live.ended is ENDED
    assert live.refused is REFUSED
    state = over_state(live, "Run")
    assert (state.word, state.text, state.alert) == ("Run over, a problem", REFUSED.text, True)


def test_a_trouble_that_the_end_told_already_is_told_once_and_a_feed_that_is_on_comes_first():
    told = f"It tripped. {REFUSED.text}"
    live = live_after(BEGAN, RunEnded(RUN, RunState.FINISHED, None, True, told), REFUSED)
    assert over_state(live, "Run").text == told
    live = live_after(BEGAN, RunEnded(RUN, RunState.FINISHED, None, False, told), REFUSED)
    assert over_state(live, "Run").word == "A FEED IS NOT OFF"
