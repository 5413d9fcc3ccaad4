"""A long step is recorded in parts: a power cut loses minutes, and memory stays flat."""

from __future__ import annotations

import pytest
from bench_runs import HALF_TURNS, Watcher, make_order, make_plan
from commander import Commander
from hypothesis import given, settings
from hypothesis import strategies as st
from long_runs import long_run

from rig.bench import parts
from rig.bench.commands import RepeatStep
from rig.bench.errors import Stopped
from rig.bench.events import HalfTurnEnded, StepBegan
from rig.bench.parts import PART_S, parts_of
from rig.plans import HALF_TURN_GUESS_S, EnduranceStep, HalfTurnsStep
from rig.records.model import RunState, StepState

SIX = '[[step]]\nkind = "endurance"\ncycles = 6\npause_s = 0.3\nduty_max = 0.4\nrecord_every = 3\n'


@pytest.fixture
def short_parts(monkeypatch):
    """Parts of two cycles each: 2 x (0.8 s + 1.2 s) is expected of a cycle of `SIX`."""
    monkeypatch.setattr(parts, "PART_S", 8.0)


@settings(max_examples=30, deadline=None)
@given(
    st.integers(1, 2000),
    st.floats(0.05, 600, allow_nan=False),
    st.floats(0.01, 1, allow_nan=False),
)
def test_the_parts_of_a_step_are_the_step(cycles, pause_s, duty_max):
    step = EnduranceStep(cycles=cycles, pause_s=pause_s, duty_max=duty_max, title="Long")
    made = parts_of(step)
    assert sum(part.cycles for part in made) == cycles
    assert all(part.cycles >= 1 for part in made)
    one_s = step.expected_s(HALF_TURN_GUESS_S) / cycles
    assert all(part.expected_s(HALF_TURN_GUESS_S) <= PART_S + one_s for part in made)
    same = {"cycles": cycles, "title": "Long"}
    assert all(part.model_copy(update=same) == step for part in made)
    if len(made) > 1:
        assert made[0].title.startswith("Long, cycles 1 to ")
        assert made[-1].title.endswith(f" to {cycles} of {cycles}")


def test_a_short_step_and_any_other_is_its_own_only_part():
    for step in (EnduranceStep(cycles=20), HalfTurnsStep(count=1000, pause_s=600.0)):
        assert parts_of(step) == (step,)


def test_each_part_is_in_the_record_and_the_verdict_speaks_of_all(carry_out, short_parts):
    ran = carry_out(make_order(make_plan(SIX, HALF_TURNS)))
    assert [step.title for step in ran.record.steps] == [
        "Endurance, cycles 1 to 2 of 6",
        "Endurance, cycles 3 to 4 of 6",
        "Endurance, cycles 5 to 6 of 6",
        "Half-turns",
    ]
    assert [step.number for step in ran.record.steps] == [1, 2, 3, 4]
    numbers = [turn.number for step in ran.record.steps for turn in step.half_turns]
    assert numbers == list(range(1, 15))
    assert any("on all 14 half-turns" in reason.text for reason in ran.ended.judgement.reasons)
    assert ran.verdict == "pass"
    began = ran.watcher.of(StepBegan)
    assert [(event.number, event.steps) for event in began] == [(1, 2), (1, 2), (1, 2), (2, 2)]
    expected_s = [event.expected_s for event in began]
    left_s = [event.expected_s + event.expected_after_s for event in began]
    assert left_s == pytest.approx([sum(expected_s[k:]) for k in range(4)])


def test_the_duty_holds_over_the_ends_of_parts(carry_out, monkeypatch):
    monkeypatch.setattr(parts, "PART_S", 8.0)  # one cycle each: 2 x (0.8 s + 3.2 s)
    fifth = SIX.replace("duty_max = 0.4", "duty_max = 0.2").replace("cycles = 6", "cycles = 3")
    ran = carry_out(make_order(make_plan(fifth, HALF_TURNS)))
    end_s = ran.watcher.of(StepBegan)[-1].time_s
    assert len(ran.watcher.of(StepBegan)) == 4
    on = [s.time_s for s in ran.watcher.samples if s.battery_feed and s.current_a > 0.5]
    on_s = len([t for t in on if t < end_s]) / 500
    assert on_s / (end_s - on[0]) <= 0.21


def test_a_run_that_is_stopped_keeps_every_part_that_was_over(carry_out, short_parts):
    watcher = Watcher()

    def listen():
        if len(watcher.of(HalfTurnEnded)) == 6:  # in the second part
            raise Stopped("Stopped for a test.", by_operator=True)
        return ()

    watcher.on_listen = listen
    ran = carry_out(make_order(make_plan(SIX)), watcher)
    assert ran.ended.state is RunState.STOPPED
    assert [step.state for step in ran.record.steps] == [StepState.DONE, StepState.CUT_SHORT]
    assert [len(step.half_turns) for step in ran.record.steps] == [4, 2]
    assert any("left in step 1 of 1" in reason.text for reason in ran.ended.judgement.reasons)


def test_a_part_is_repeated_by_itself(carry_out, short_parts):
    ran = carry_out(make_order(make_plan(SIX)), Commander({(HalfTurnEnded, 5): [RepeatStep()]}))
    assert [step.title for step in ran.record.steps] == [
        "Endurance, cycles 1 to 2 of 6",
        "Endurance, cycles 3 to 4 of 6",
        "Endurance, cycles 3 to 4 of 6 (repeated)",
        "Endurance, cycles 5 to 6 of 6",
    ]
    assert ran.verdict == "pass"
    assert any("cycles 3 to 4 of 6) was done twice" in r.text for r in ran.ended.judgement.reasons)


def test_memory_does_not_grow_by_the_traces_that_are_kept(tmp_path, monkeypatch):
    # Every trace is kept and every part of 8 cycles is flushed; `tests/bench/long_run.py` is the
    # same run with 100 000 half-turns.
    monkeypatch.setattr(parts, "PART_S", 30.0)
    run = long_run(200, 200, 1, tmp_path / "records.sqlite")
    assert run.kept.half_turns == run.watched.done == 200
    assert run.ended.judgement.verdict == "pass"
    trace_bytes = 72 * run.kept.samples / 200  # nine columns of float64 (rig.bench.recorder)
    assert trace_bytes > 15_000
    memory = run.memory()
    assert memory.slope + memory.u < trace_bytes / 2
