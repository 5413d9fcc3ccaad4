"""The Causes screen: ranking, reasons, the next test to do, skip or end, by keys alone."""

from __future__ import annotations

import pytest
from bench_runs import make_plan
from console_pilot import ZERO, accept, drive, question, scan, settings_with_plans, shown
from console_runs import assert_feeds_off, ended, run_order, running, screen_rows, screen_text
from guesser import Guesser
from isolations import ALL_THERE
from stand_in import until

import rig.bench.isolation
from rig.bench.commands import Answer
from rig.bench.order import IsolationOrder
from rig.cli import _parser
from rig.console.dialogs.message import ChoiceDialog, MessageDialog
from rig.console.isolation_rows import bar
from rig.console.screens.isolate import IsolateScreen
from rig.console.widgets.cause_table import CauseTable
from rig.console.widgets.state_line import StateLine
from rig.plan_isolation import DEFAULT_PLAN

PLAN = make_plan(ALL_THERE, ZERO)


def still():
    """The desk's clock, which stands still: nothing that is shown grows old."""
    return 1000.0


@pytest.fixture(autouse=True)
def small_mind(monkeypatch):
    """Have isolations think with a small mind, whatever was learnt."""
    monkeypatch.setattr(rig.bench.isolation, "Learnt", lambda *_: Guesser())


@pytest.fixture
def console(make_console):
    return make_console(faults=("relay-dead",), now_s=still)


def isolation(console, **more):
    return run_order(console, PLAN, IsolationOrder, ask_operator=True, **more)


async def proposed(pilot, test):
    """Wait until a test is proposed on the screen."""
    app = pilot.app

    def is_there():
        ranked = app.desk.live.ranked
        return (
            isinstance(app.screen, IsolateScreen)
            and app.desk.live.proposed
            and ranked.proposal.test == test
            and app.screen.query("#choices")
            and app.screen.query_one("#choices").display
        )

    await until(pilot, is_there)


async def begun(pilot):
    await running(pilot, isolation(pilot.app))
    await proposed(pilot, "turns")


def test_a_fault_is_isolated_from_bench_to_the_remedy_by_keys_alone(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ALL_THERE + ZERO)
    app = make_console(settings=settings, plan="quick", faults=("relay-dead",), now_s=still)

    async def script(pilot):
        await pilot.press("ctrl+g")
        await accept(pilot)
        await proposed(pilot, "turns")
        text = screen_text(app)
        assert "Your turn" in text
        assert "Next: Half-turns, relay as fitted" in text
        assert "About 0.6 min." in text
        assert "20 %" in text
        await pilot.press("f9")
        await proposed(pilot, "look_ignition_feed")
        assert "= Half-turns, relay as fitted: 4 no movement" in screen_text(app)
        await pilot.press("f9")
        await question(pilot, "connect_meter")
        assert "Clip a meter on" in screen_text(app)
        await pilot.press("d")
        dialog = await question(pilot, "inspect")
        assert "terminal 86" in screen_text(app)
        await pilot.press("o")
        await until(pilot, lambda: app.screen is not dialog)
        await proposed(pilot, "known_good_relay")
        await pilot.press("f9")
        for action in ("fit_known_good_relay", "fit_own_relay"):
            dialog = await question(pilot, action)
            await pilot.press("d")
            await until(pilot, lambda: app.screen is not dialog)  # noqa: B023
        await until(pilot, lambda: app.desk.live.ended is not None)
        await until(pilot, lambda: isinstance(app.screen, IsolateScreen))
        app.screen.show_all()
        await pilot.pause()
        text = screen_text(app)
        assert "Found" in text
        assert "What it comes to" in text
        assert "Replace the unit's relay" in text
        # Three tests that are each right 99 times in 100, against four other causes.
        assert "97 %" in text
        assert_feeds_off(app, app.benches[0])
        await pilot.press("f5")
        assert "FAIL LM-12-0288, cause found: Relay dead (97 %)." in screen_text(app)

    drive(app, script)


def test_skip_and_end_are_keys_too_and_what_is_skipped_is_told(console):
    async def script(pilot):
        await begun(pilot)
        await pilot.press("s")
        await proposed(pilot, "look_ignition_feed")
        assert "- Half-turns, relay as fitted: skipped" in screen_text(console)
        await pilot.press("E")  # with Caps Lock on
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(console.screen, IsolateScreen))
        assert console.desk.live.proposed
        await pilot.press("e")
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await pilot.press("right", "enter")
        await ended(pilot)
        await until(pilot, lambda: "Not sure" in screen_text(console))
        assert not console.benches[0].backend.world.stations["A"].feed_a

    drive(console, script)


def test_the_marked_cause_tells_what_speaks_for_it(console):
    async def script(pilot):
        await begun(pilot)
        assert "this is how usual it is" in screen_text(console)
        await pilot.press("f9")
        await proposed(pilot, "look_ignition_feed")
        table = console.screen.query_one(CauseTable)
        assert console.focused is table
        assert "for: turns fits" in screen_text(console)
        says = table.marked.says
        await pilot.press("down")
        assert table.marked.says != says
        await until(pilot, lambda: table.marked.says in shown(console.screen.query_one("#reasons")))

    drive(console, script)


def test_bars_and_numbers_tell_the_same_without_colours(console):
    async def script(pilot):
        await begun(pilot)
        rows = [row for row in screen_rows(console) if " %" in row and "░" in row]
        assert len(rows) == 5
        assert all(row.split("%")[0].strip() == "20" and row.count("█") == 2 for row in rows)

    drive(console, script)


def test_the_trace_is_reached_and_left_and_says_whose_it_is(console):
    async def script(pilot):
        await begun(pilot)
        await pilot.press("t")
        assert console.screen.place == "live"
        assert "Waiting" in screen_text(console)
        await pilot.press("f3")
        assert console.screen.place == "isolate"
        await pilot.press("f3")
        assert console.screen.place == "live"
        console.desk.tell(Answer("do"))
        await until(pilot, lambda: console.screen.place == "isolate")  # the next is proposed
        assert console.desk.live.ranked.proposal.test == "look_ignition_feed"

    drive(console, script)


def test_whoever_reads_something_else_is_told_and_not_taken_away(console):
    async def script(pilot):
        await begun(pilot)
        await pilot.press("f6")
        assert console.screen.place == "records"
        console.desk.tell(Answer("do"))
        await until(pilot, lambda: console.desk.live.proposed)
        await pilot.pause()
        assert console.screen.place == "records"
        assert any("proposes a test" in note.message for note in console._notifications)
        await pilot.press("f3")
        await proposed(pilot, "look_ignition_feed")

    drive(console, script)


def test_a_key_meant_for_the_question_before_does_nothing(console):
    async def script(pilot):
        console.answer_keys.again_after_s = 60.0
        await begun(pilot)
        await pilot.press("f9")
        await pilot.pause()
        assert console.desk.live.proposed
        assert any("Look at it, then choose" in note.message for note in console._notifications)

    drive(console, script)


def test_a_scanned_label_chooses_nothing(console):
    async def script(pilot):
        console.scanner_s = 0.2
        await begun(pilot)
        await scan(pilot, "SE-12-0300")
        assert console.desk.live.proposed
        assert any("a job is on" in note.message for note in console._notifications)

    drive(console, script)


def test_feeds_off_ends_it_and_says_so(console):
    async def script(pilot):
        await begun(pilot)
        await pilot.press("f9")
        await pilot.press("f12")
        await ended(pilot)
        assert_feeds_off(console, console.benches[0])
        await until(pilot, lambda: "stopped" in screen_text(console))

    drive(console, script)


def test_without_an_isolation_it_says_how_to_begin_one(console):
    async def script(pilot):
        console.go("isolate")
        await pilot.pause()
        assert "Ctrl+G" in console.screen.query_one(StateLine).state.text
        assert "nobody knows what is wrong" in screen_text(console)
        await pilot.press("f9", "s", "e")
        assert not console.desk.live.on

    drive(console, script)


def test_what_keeps_bench_from_beginning_one_is_told_there(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ALL_THERE + ZERO)
    sensor = settings.stations[0].battery_sensor.model_copy(update={"shunt_ohm": 0.1})
    station = settings.stations[0].model_copy(update={"battery_sensor": sensor})
    settings = settings.model_copy(update={"stations": (station,)})
    app = make_console(settings=settings, plan="quick", serial="")

    async def script(pilot):
        await pilot.press("ctrl+g")
        assert "Which unit is on the jig?" in screen_text(app)
        app.desk.choices.serial = "LM-12-0288"
        app.screen.show_all()
        await pilot.press("ctrl+g")
        await until(pilot, lambda: isinstance(app.screen, MessageDialog))
        assert "shunt" in screen_text(app)
        assert not app.desk.live.on

    drive(app, script)


def test_a_plan_whose_steps_this_rig_cannot_do_lends_its_limits_all_the_same(
    make_console, tmp_path
):
    sweep = '[[step]]\nkind = "supply_sweep"\n'
    settings = settings_with_plans(tmp_path / "plans", sweep=ALL_THERE + sweep)
    app = make_console(settings=settings, plan="sweep", now_s=still)

    async def script(pilot):
        await pilot.press("f9")
        assert not app.desk.live.on
        await pilot.press("ctrl+g")
        await accept(pilot)
        await proposed(pilot, "turns")

    drive(app, script)


def test_what_is_on_the_jig_is_asked_and_what_is_left_out_is_told(console):
    async def script(pilot):
        job = run_order(console, make_plan(ZERO), IsolationOrder, ask_operator=True)
        await running(pilot, job)
        for key, asks in (
            ("n", "hooked on the lever"),
            ("y", "own relay in it"),
            ("y", "known to"),
        ):
            dialog = await question(pilot, "at_hand")
            assert asks in screen_text(console)
            await pilot.press(key)
            await until(pilot, lambda: console.screen is not dialog)  # noqa: B023
        await question(pilot, "at_hand")
        await pilot.press("y")
        await proposed(pilot, "turns")
        assert console.desk.live.ranked.left_out == (
            "The cable is not on the lever: no fault of these parts is looked for.",
        )
        assert "The cable is not on the lever" in console.screen._next.text

    drive(console, script)


def test_no_plan_chosen_means_the_one_that_the_command_takes(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", suspect=ALL_THERE + ZERO)
    app = make_console(settings=settings, plan="", serial="LM-12-0288")

    async def script(pilot):
        await pilot.press("ctrl+g")
        await until(pilot, lambda: app.desk.live.on)
        assert app.desk.live.job.plan.name == DEFAULT_PLAN
        assert _parser().parse_args(["isolate"]).plan == DEFAULT_PLAN

    drive(app, script)


@pytest.mark.parametrize(
    ("share", "drawn"),
    [(0.004, "░░░░"), (0.01, "▏░░░"), (0.04, "▏░░░"), (0.12, "▌░░░"), (0.5, "██░░"), (1.0, "████")],
)
def test_a_bar_tells_shares_apart_that_are_less_than_a_cell(share, drawn):
    assert bar(share, 4) == drawn
