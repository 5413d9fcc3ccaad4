"""The lines of a verdict, against the verdicts of simulated runs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from recorded import library

from rig.analysis.model import Limits, Reason, Verdict, VoltageLimit
from rig.console.passage import Passages
from rig.console.run_view import fact_lines, facts, verdict_words, view_of_record
from rig.console.trace_picture import picture
from rig.console.verdict_rows import parted, reason_rows, turn_rows
from rig.records.model import AGAIN, RunState, StepState
from rig.records.store import Store


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Views of the library's runs by name, with their traces by step."""
    path, ids = library(tmp_path_factory.mktemp("runs"))
    with Store.open(path) as store:
        found = {}
        for name, run_id in ids.items():
            record = store.run(run_id, with_traces=True)
            traces = {step.number: step.trace for step in record.steps}
            found[name] = (view_of_record(record), traces)
    return found


def rows_of(view):
    return reason_rows(view.judgement.reasons, view.steps, view.limits)


NAMES = ["new", "slow", "leaking", "rebuilt", "jammed", "short", "runs_on", "no_feed"]


@pytest.mark.parametrize("name", NAMES)
def test_every_value_and_limit_in_a_line_stands_in_the_reasons_own_sentence(runs, name):
    view, _ = runs[name]
    rows = rows_of(view)
    assert len(rows) == len(view.judgement.reasons)
    for row, reason in zip(rows, view.judgement.reasons, strict=True):
        assert row.says == reason.verdict
        assert f"{row.text} {row.next_step}".split() == reason.text.split() or row.next_step
        if reason.half_turn:
            assert row.half_turn.startswith(f"{reason.half_turn} to ")
            assert row.passage.turn.number == reason.half_turn
        if reason.measure in ("half_turn_s", "run_a", "rest_a", "rest_draw_a"):
            assert row.measured in reason.text
            assert row.limit.startswith("at most ")


def test_the_lines_say_what_was_measured_and_allowed(runs):
    (slow, running, *_) = rows_of(runs["slow"][0])
    assert (slow.measure, slow.measured[:5], slow.limit) == (
        "half-turn time",
        "1.468",
        "at most 1.20 s",
    )
    assert (running.measure, running.limit) == ("running current", "at most 7.00 A")
    assert [row.measured for row in rows_of(runs["short"][0])][:2] == ["stops short", "no movement"]
    assert rows_of(runs["runs_on"][0])[0].limit == "park within 3 s"
    assert [row.measure for row in rows_of(runs["leaking"][0])][6:9] == ["rest draw"] * 3


def test_what_to_try_next_is_taken_out_of_the_sentence(runs):
    row = rows_of(runs["no_feed"][0])[0]
    assert row.next_step == "Check the rig's fuse, supply and wiring, then test again."
    assert "Check" not in row.text
    assert parted("Too close to tell. Test again.") == ("Too close to tell.", "Test again.")
    assert parted("Feeds are off. Let it cool.") == ("Feeds are off.", "Let it cool.")
    assert parted("Half-turn 1 (to run) stalled.") == ("Half-turn 1 (to run) stalled.", "")
    assert parted("") == ("", "")


@pytest.mark.parametrize("name", NAMES)
def test_every_reason_with_a_trace_can_be_drawn_and_its_marks_lie_in_the_window(runs, name):
    view, traces = runs[name]
    for row in rows_of(view):
        if row.reason.measure == "rig":
            continue  # of a whole step, not of a place in its trace
        assert row.passage is not None, row.text
        made = picture(row.passage, traces[row.passage.step], view.limits, row.reason)
        assert made.series
        assert made.title
        for mark in made.marks:
            assert made.window.start_s <= mark.time_s <= made.window.end_s
        assert bool(made.marks) == (row.verdict is not Verdict.PASS and bool(row.half_turn)) or (
            row.reason.measure in ("guard", "rest_draw_a")
        )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("slow", "parked too late"),
        ("jammed", "stands still"),
        ("short", "cut off at 100 deg"),
        ("runs_on", "not parked"),
        ("no_feed", "no voltage"),
        ("leaking", "draws at rest"),
    ],
)
def test_the_mark_says_what_went_wrong(runs, name, words):
    view, traces = runs[name]
    row = rows_of(view)[0]
    made = picture(row.passage, traces[row.passage.step], view.limits, row.reason)
    assert made.marks[0].text == words


def test_each_rest_draw_is_shown_where_it_was_measured(runs):
    view, traces = runs["leaking"]
    draws = [row for row in rows_of(view) if row.measure == "rest draw"]
    places = [(row.passage.step, row.passage.rest_after) for row in draws]
    assert len(set(map(str, places))) == 3
    for row in draws:
        made = picture(row.passage, traces[row.passage.step], view.limits, row.reason)
        current = made.series[0].value
        assert abs(float(row.measured[:5]) - sorted(current)[len(current) // 2]) < 0.02


def test_a_half_turn_that_was_in_order_lies_behind_one_that_was_not(runs):
    view, traces = runs["slow"]
    row = turn_rows(view.steps)[0]
    made = picture(row.passage, traces[row.passage.step], view.limits)
    assert [series.tone for series in made.series] == ["now", "now"]  # all were slow
    steps = [step for step in runs["new"][0].steps if step.kind == "half_turns"]
    turns = list(steps[0].half_turns)
    turns[0] = replace(turns[0], outcome="slow")
    changed = [replace(steps[0], half_turns=tuple(turns))]
    slow = Reason(Verdict.FAIL, "", "half_turn_s", turns[0].number)
    passage = Passages(changed, view.limits).of(slow)
    assert passage.usual.number == turns[2].number
    made = picture(passage, runs["new"][1][steps[0].number], view.limits)
    assert made.series[0].tone == "before"


def test_reasons_of_no_trace_and_runs_of_a_lost_plan_are_still_told():
    limits = Limits(VoltageLimit(((12.0, 1.2),)))
    looked = Reason(Verdict.FAIL, "The housing is cracked. Replace it.", "housing")
    (row,) = reason_rows([looked], [], limits)
    assert (row.measure, row.passage, row.next_step) == ("housing", None, "Replace it.")
    (row,) = reason_rows([Reason(Verdict.FAIL, "Slow.", "half_turn_s", 3)], [], None)
    assert (row.half_turn, row.measured, row.limit) == ("3", "", "")


def test_every_half_turn_of_a_run_is_listed(runs):
    rows = turn_rows(runs["new"][0].steps)
    assert [row.half_turn for row in rows][:2] == ["1 to run", "2 to stop"]
    assert len(rows) == sum(len(step.half_turns) for step in runs["new"][0].steps)
    assert "parked, 0." in rows[0].text


def test_the_verdict_in_words(runs):
    def words(name):
        return verdict_words(runs[name][0])

    assert words("new") == ("PASS", "LM-12-0288 keeps every limit that was judged")
    assert words("slow") == ("FAIL", "LM-12-0288 fails on 8 counts")
    assert words("no_feed") == (
        "RETEST",
        "LM-12-0293 is neither passed nor failed: 5 doubts to clear",
    )


def test_the_facts_name_bench_feeds_and_state_in_words(runs):
    view = runs["jammed"][0]
    first, second = fact_lines(view)
    assert first == "incoming plan · delivery lot L-2209 · by sam · station A"
    assert second.endswith("tripped in step 1 of 1 · LEVER MAY STAND MIDWAY · SIMULATED")
    assert len(first) <= 78
    assert len(second) <= 78
    listed = dict(facts(view))
    assert listed["State"] == "ended by the guard, feeds read back off"
    assert listed["Plan done"] == "up to step 1 of 1, which was cut short"
    assert listed["Lever"].startswith("may stand between stop and run")
    assert "Plan done" not in dict(facts(runs["slow"][0]))
    other = replace(view, made_by="North Hall")
    assert fact_lines(other)[0].startswith("bench North Hall · ")
    assert dict(facts(other))["Station"].endswith("of the bench North Hall")
    assert [name for name, (view, _) in runs.items() if view.lever_words] == [
        "jammed",
        "short",
        "runs_on",
    ]
    assert listed["Unit"] == "LM-12-0290, type LM-12"
    assert listed["Bench"].startswith("SIMULATED: simulated, seed 1, faults jammed=90")


def test_a_run_that_was_stopped_tells_which_steps_were_not_done(runs):
    def done(state, steps, plan_steps):
        view = replace(
            runs["new"][0], state=state, steps=steps, plan_steps=plan_steps, judgement=None
        )
        return dict(facts(view)).get("Plan done"), fact_lines(view)[1]

    first, *others = runs["new"][0].steps
    again = replace(first, title=first.title + AGAIN, state=StepState.CUT_SHORT)
    assert done(RunState.STOPPED, (first, again), 4)[0] == (
        "up to step 1 of 4, which was cut short; steps 2 to 4 were not done"
    )
    assert len(others) == 2
    told, line = done(RunState.INTERRUPTED, (first, *others), 4)
    assert told == "up to step 3 of 4; step 4 was not done"
    assert "interrupted after step 3 of 4" in line
    assert done(RunState.STOPPED, (), 4)[0] == "nothing: no step was begun"
    # A program that died tells nothing of what was on then.
    dead = replace(
        runs["new"][0], state=RunState.INTERRUPTED, plan_steps=4, judgement=None, died=True
    )
    told = dict(facts(dead))
    assert told["Plan done"] == "up to step 3 of 4; what came after is not known"
    assert "may stand between stop and run" in told["Lever"]
    assert "Lever" not in dict(facts(replace(dead, may_have_fed=False)))
    assert "Lever" not in dict(facts(replace(dead, died=False)))
    assert dict(facts(replace(dead, steps=())))["Plan done"] == "not known"
    assert done(RunState.RUNNING, (first,), 4)[0] is None
