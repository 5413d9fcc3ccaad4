"""Whole jobs, from the Bench screen to the record, by keyboard alone and by mouse."""

import pytest
from bench_runs import feeds_are_on, make_plan
from console_pilot import LOOK, TURNS, ZERO, question, scan, settings_with_plans
from console_runs import ended, run_order, running, screen_rows, screen_text
from stand_in import FOREVER_S, rested, until
from textual.widgets import Input

from rig.analysis.model import Outcome, Verdict
from rig.bench.process import BenchClient
from rig.console.feeds_words import feeds_of
from rig.console.live_job import Phase
from rig.console.screen import DeskScreen
from rig.records.model import RunState, StepState
from rig.records.store import Store

TWO_TURNS = make_plan(TURNS)
FED_S = 2.0  # the stand-in's first half-turn is on then, both feeds made


def still_clock():
    return 1000.0


@pytest.fixture
def settings(tmp_path):
    return settings_with_plans(tmp_path / "plans", a_short_one=LOOK + ZERO + TURNS)


def records_of(console):
    """Return what is recorded, newest first."""
    with Store.open(console.desk.records) as store:
        return [store.run(summary.run_id) for summary in store.runs()]


async def click_on(pilot, words):
    """Wait for ``words`` to be on the screen and click on them."""
    await until(pilot, lambda: words in screen_text(pilot.app))
    rows = screen_rows(pilot.app)
    y = next(y for y, row in enumerate(rows) if words in row)
    await pilot.click(offset=(rows[y].index(words) + 1, y))


async def verdict(pilot):
    """Wait until the verdict is on the screen; return its text."""
    console = pilot.app
    await ended(pilot)
    unit = console.desk.live.job.unit_serial
    if console.place_screen.place in ("records", "rig", "world"):
        await pilot.press("f5")  # nobody is taken away from there
    await until(pilot, lambda: getattr(console.screen, "place", "") == "verdict")
    await until(pilot, lambda: unit in screen_text(console).split("F8 Sim")[1])
    return screen_text(console)


async def test_a_whole_run_by_keyboard_alone(make_console, settings):
    console = make_console(settings=settings, serial="", operator="")
    async with console.run_test(size=(80, 24)) as pilot:
        await pilot.press("shift+tab", "enter", "down", "enter")  # the plan, above the unit
        assert console.desk.choices.plan == "a_short_one"
        await pilot.press("tab")
        await scan(pilot, "LM-12-0291")
        await pilot.press(*"sam")  # the next that is to be filled in has the focus
        await until(pilot, lambda: "Not ready" not in screen_text(console))
        assert console.desk.choices.operator == "sam"
        await pilot.press("f9")

        cautions = await question(pilot, "accept_cautions")
        await pilot.press("a")
        assert console.screen is cautions  # not read to the end
        while cautions.query_one("#answer-accepted").disabled:
            await pilot.press("space")
        await pilot.press("a")

        await question(pilot, "inspect")
        await pilot.press("n")
        await until(pilot, lambda: isinstance(pilot.app.focused, Input))
        await pilot.press(*"a little play", "enter", "o")
        await until(pilot, lambda: not isinstance(console.screen, DeskScreen))
        await question(pilot, "inspect")
        await pilot.press("o")

        text = await verdict(pilot)
        assert "PASS" in text
        await pilot.press("f6")
        await until(pilot, lambda: "LM-12-0291" in screen_text(console))
        (run,) = records_of(console)
    assert run.start.unit_serial == "LM-12-0291"
    assert run.end.judgement.verdict is Verdict.PASS
    assert run.end.feeds_off
    assert [step.state for step in run.steps] == [StepState.DONE] * 3
    assert run.steps[0].answers == {"lever_free": "ok", "housing": "ok"}
    assert any("a little play" in event.text for event in run.events)
    assert [turn.outcome for turn in run.steps[2].half_turns] == [Outcome.PARKED] * 2


async def test_a_whole_run_by_mouse(make_console, settings):
    console = make_console(settings=settings, serial="", operator="jo")
    async with console.run_test(size=(120, 40)) as pilot:
        await pilot.click("#plan")
        await click_on(pilot, "a_short_one")
        await until(pilot, lambda: console.desk.choices.plan == "a_short_one")
        await pilot.click("#serial")
        await scan(pilot, "LM-12-0292")
        await pilot.click("#start")
        dialog = await question(pilot, "accept_cautions")
        await until(pilot, lambda: not dialog.query_one("#answer-accepted").disabled)
        await pilot.click("#answer-accepted")
        for answer in ("ok", "fault"):
            await until(pilot, lambda: console.screen is not dialog)  # noqa: B023
            dialog = await question(pilot, "inspect")
            await pilot.click(f"#answer-{answer}")
        text = await verdict(pilot)
        assert "FAIL" in text  # a housing that is broken fails the unit
        await pilot.click("#tab-records")
        await until(pilot, lambda: console.screen.place == "records")
        await until(pilot, lambda: "LM-12-0292" in screen_text(console))
    (run,) = records_of(console)
    assert run.steps[0].answers == {"lever_free": "ok", "housing": "fault"}


async def test_a_pause_and_a_repetition_are_granted_and_recorded(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await running(pilot, run_order(console, plan=TWO_TURNS), at_s=FED_S)
        await pilot.press("f3", "p", "r")
        bench.hold_at(FOREVER_S)
        await until(pilot, lambda: console.desk.live.phase is Phase.PAUSED)
        await rested(pilot, bench)
        assert not feeds_are_on(bench.backend, console.desk.settings)
        assert "Paused" in screen_text(console)
        await pilot.press("p")
        assert "PASS" in await verdict(pilot)
    (run,) = records_of(console)
    assert len(run.steps) == 2
    kinds = [event.kind for event in run.events]
    assert kinds.index("paused") < kinds.index("went_on") < kinds.index("repeat")
    assert [turn.outcome for turn in run.steps[1].half_turns] == [Outcome.PARKED] * 2


# Deed by its key on Sim, how the run ends, what the verdict is, what is said of it.
TROUBLES = (
    ("j", RunState.FINISHED, Verdict.FAIL, "stand"),
    ("e", RunState.INTERRUPTED, Verdict.RETEST, "emergency stop"),
    ("u", RunState.INTERRUPTED, Verdict.RETEST, "sensor"),
)


async def test_what_goes_wrong_in_mid_run_ends_it_and_is_told(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        for key, state, result, word in TROUBLES:
            bench = await running(pilot, run_order(console, plan=TWO_TURNS), at_s=FED_S)
            assert feeds_are_on(bench.backend, console.desk.settings)
            await pilot.press("f8", key)
            await until(pilot, lambda: bench.commands)  # noqa: B023
            bench.hold_at(FOREVER_S)
            text = await verdict(pilot)
            assert not feeds_are_on(bench.backend, console.desk.settings)
            assert feeds_of(console.desk) == ("feeds off", False, False)
            assert result.name in text
            run = records_of(console)[0]
            assert run.end.state is state
            assert run.end.feeds_off
            assert run.end.judgement.verdict is result
            assert any(word in reason.text.lower() for reason in run.end.judgement.reasons)


async def test_jobs_follow_each_other_at_once_on_real_bench_processes(make_console, tmp_path):
    """Each job has a process of its own; the next begins while the last one's still goes."""
    records = tmp_path / "records.sqlite"
    console = make_console(
        records=records, open_bench=lambda: BenchClient(None, records, quiet=True)
    )
    pids = []
    async with console.run_test(size=(80, 24)) as pilot:
        desk = console.desk
        for _ in range(2):
            assert console.begin(run_order(console)), desk.bench_error
            await until(pilot, lambda: desk.fresh, timeout_s=60.0)
            pids.append(desk.bench.pid)
            await pilot.press("f12")
            await until(pilot, lambda: not desk.live.on, timeout_s=60.0)
            assert desk.live.ended.state is RunState.STOPPED
            assert desk.live.ended.feeds_off
    assert len(set(pids)) == 2
    assert [run.end.state for run in records_of(console)] == [RunState.STOPPED] * 2


async def test_the_serial_may_be_scanned_for_the_next_unit_right_after_a_verdict(
    make_console, settings
):
    console = make_console(settings=settings, plan="a_short_one")
    async with console.run_test(size=(80, 24)) as pilot:
        await running(pilot, run_order(console, plan=TWO_TURNS))
        await verdict(pilot)
        await pilot.press("f2")
        await scan(pilot, "LM-12-0300")
        assert console.desk.choices.serial == "LM-12-0300"
        assert console.screen.query_one("#serial", Input).value == "LM-12-0300"
        assert not console.desk.live.on
