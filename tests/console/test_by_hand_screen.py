"""By hand: feeds held by keys and mouse, let go by everything else; touches of a simulated unit."""

from __future__ import annotations

import pytest
from bench_runs import feeds_are_on
from console_pilot import accept, drive, key_at, settings_with_plans
from console_runs import ended, run_order, screen_rows, screen_text
from live_rows import rest, turn
from stand_in import rested, until
from textual.events import AppBlur, AppFocus
from textual.widgets import Button, Input, Select
from told import Clock, told_console

from rig.analysis.model import Direction, HalfTurn, Outcome
from rig.bench.commands import FIRST_LEASE_S, LEASE_S, Hold, Meddle, Stop
from rig.bench.events import Noted, RunEnded, StepEnded
from rig.bench.order import ByHandOrder
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.live_job import Live, Phase
from rig.console.scanner import ENTER_AGAIN_S, SCANNER_S
from rig.console.screens import by_hand as by_hand_screen
from rig.console.screens.by_hand import HOW, ByHandScreen
from rig.console.widgets.dial import HalfTurnDial
from rig.console.widgets.touch_list import TouchList
from rig.console.widgets.trace import TraceView
from rig.records.model import RunState, StepState

SIZES = [(80, 24), (120, 40)]
OFF = Hold(battery=False, ignition=False)
BATTERY, BOTH = (True, False), (True, True)
READY = Noted("ready", "From here on by hand.", 0.5)
HOME = rest(0.0, 1.0)


@pytest.fixture(scope="module", autouse=True)
def still_clock():
    """No lease runs out by itself: only the events count."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(by_hand_screen, "monotonic", lambda: 0.0)
        yield


@pytest.fixture(scope="module")
def console(tmp_path_factory, still_clock):
    with told_console("by_hand", tmp_path_factory.mktemp("by_hand") / "records.sqlite") as run:
        yield run


@pytest.fixture
def by_hand(console):
    """Return a function that runs a script on By hand, a job by hand on."""

    def run(script, events=(READY,)):
        async def whole(told):
            job = run_order(told.console, kind=ByHandOrder)
            await told.anew(job, *events, rows=[HOME], phase=Phase.ON)
            await script(told)

        console(whole)

    return run


def feeds(told):
    """Return what was sent since last asked: (battery, ignition), lease."""
    sent, told.sent[:] = list(told.sent), []
    assert all(isinstance(command, Hold) for command in sent), sent
    return [((hold.battery, hold.ignition), pytest.approx(hold.lease_s)) for hold in sent]


async def pressed(told, *keys):
    """Press keys; return what was sent."""
    await told.pilot.press(*keys)
    return feeds(told)


LET_GO = [((False, False), pytest.approx(OFF.lease_s))]


class TestHolding:
    def test_keys(self, by_hand):
        async def script(told):
            assert await pressed(told, "space") == [(BOTH, FIRST_LEASE_S)]
            assert await pressed(told, "space", "space") == [(BOTH, LEASE_S)] * 2
            assert await pressed(told, "b") == [(BATTERY, FIRST_LEASE_S)]
            assert await pressed(told, "b") == [(BATTERY, LEASE_S)]
            assert await pressed(told, "i") == [((False, True), FIRST_LEASE_S)]
            assert await pressed(told, "m", "space") == [(BOTH, FIRST_LEASE_S), (BOTH, LEASE_S)]
            assert await pressed(told, "B", "b") == [(BATTERY, FIRST_LEASE_S), (BATTERY, LEASE_S)]
            assert await pressed(told, "I") == [((False, True), FIRST_LEASE_S)]
            assert await pressed(told, "M") == [(BOTH, FIRST_LEASE_S)]
            assert await pressed(told, "x") == LET_GO
            assert await pressed(told, "x", "down", "tab", "escape") == []
            assert await pressed(told, "space") == [(BOTH, FIRST_LEASE_S)]
            # It lay in a queue: the screen's clock stands at 0.
            await told.screen.on_key(key_at("b", -2.0))
            assert feeds(told) == []
            await pressed(told, "x")
            for key in ("f1", "ctrl+p", "f9", "enter", "X", "tab", "ctrl+t", "f3"):
                await pressed(told, "space")
                await told.pilot.press(key)
                await told.pilot.pause()
                assert feeds(told) == LET_GO, key
                if told.console.screen is not told.screen:
                    told.console.screen.dismiss() if key != "f3" else told.console.go("by_hand")
                    await until(told.pilot, lambda: told.console.screen is told.screen)

        by_hand(script)

    def test_another_held_key_takes_over_and_a_label_does_not(self, by_hand):
        async def typed(told, keys, apart_s):
            for key in keys:
                await told.screen.on_key(key_at(key, typed.at_s))
                typed.at_s += apart_s
            return [asked for asked, _ in feeds(told)]

        async def script(told):
            told.console.scanner_s = SCANNER_S
            typed.at_s = 10.0
            # Held keys repeat fast; the next one comes soon after the last repeat.
            assert set(await typed(told, "b", 0.4)) == {BATTERY}
            assert set(await typed(told, "bbbb", 0.033)) == {BATTERY}
            assert set(await typed(told, ["space"], 0.4)) == {BOTH}
            assert set(await typed(told, ["space"] * 3, 0.033)) == {BOTH}
            assert (await typed(told, "x", 1.0))[-1] == (False, False)
            # The first letter may be a key; no later one is, be it a pair or the last.
            for label in ("LM-12BB", "MBB-0417", "BIB", "B1II"):
                fed = [asked != (False, False) for asked in await typed(told, label.lower(), 0.01)]
                assert sum(fed) == (label[0] in "BIM"), label
                assert not fed or not fed[-1], label
                typed.at_s += 1.0
            told.console.scanner_s = 0.0
            told.screen._feed_key = ("", float("-inf"), float("-inf"))

        by_hand(script)

    def test_screens_dialogs_and_a_lost_focus_let_go(self, by_hand):
        async def script(told):
            console = told.console
            for name, away in (
                ("another screen", lambda: console.go("rig")),
                ("a dialog", lambda: console.push_screen(HelpDialog(told.screen))),
                ("a message", lambda: console.push_screen(MessageDialog("To know", "This."))),
                ("the terminal's focus", lambda: console.post_message(AppBlur())),
            ):
                assert await pressed(told, "space") == [(BOTH, FIRST_LEASE_S)], name
                away()
                await told.pilot.pause()
                assert feeds(told) == LET_GO, name
                await pressed(told, "b")
                await told.pilot.pause()
                if console.screen is not told.screen:
                    assert feeds(told) == [], name
                while len(console.screen_stack) > 2:
                    console.pop_screen()
                    await told.pilot.pause()
                console.go("by_hand")
                console.post_message(AppFocus())
                await until(told.pilot, lambda: console.screen is told.screen)
                await pressed(told, "x")

        by_hand(script)

    def test_the_mouse(self, by_hand):
        async def script(told):
            pilot, screen = told.pilot, told.screen
            for size, button, held in (
                (SIZES[0], "#hold-both", BOTH),
                (SIZES[1], "#hold-battery", BATTERY),
            ):
                await pilot.resize_terminal(*size)
                await pilot.pause()
                await pilot.mouse_down(button)
                await pilot.pause()
                seen = feeds(told)
                assert seen[0] == (held, LEASE_S)
                screen.on_frame()
                assert (held, LEASE_S) in feeds(told)
                assert screen.query_one(button).held
                assert "held" in told.text
                await pilot.mouse_up(button)
                await pilot.pause()
                assert feeds(told)[-1:] == LET_GO
                screen.on_frame()
                assert feeds(told) == []
            await pilot.mouse_down("#hold-both")
            await pilot.pause()
            feeds(told)
            await pilot.hover(TraceView)
            await pilot.pause()
            assert feeds(told)[-1:] == LET_GO
            screen.on_frame()
            assert feeds(told) == []

        by_hand(script)

    def test_nothing_is_fed_before_the_bench_is_ready_or_without_a_job(self, by_hand):
        async def script(told):
            assert told.state.word == "Starting"
            assert await pressed(told, "space", "b") == []
            await told.pilot.mouse_down("#hold-both")
            await told.pilot.pause()
            assert feeds(told) == []
            await told.hear(READY)
            assert await pressed(told, "space") == [(BOTH, FIRST_LEASE_S)]
            await told.hear(RunEnded(None, RunState.FINISHED, None, True, "No sensor."))
            assert not told.screen.held.holds
            assert await pressed(told, "space", "b") == []

        by_hand(script, events=())


class TestWords:
    def test_what_is_held_and_what_is_made(self, by_hand):
        async def script(told):
            assert "Held: none. Made: none." in told.text
            await pressed(told, "space")
            await told.hear(rows=[turn(1.0, 1.3, to_run=False)])
            assert "Held: battery and ignition. Made: battery." in told.text
            assert "Space both held" in told.text
            assert told.screen.query_one(HalfTurnDial).in_words == "turning"
            assert "last 8 s" in told.text
            assert told.screen.numerals["current"].value == "2.20"
            for size in SIZES:
                await told.pilot.resize_terminal(*size)
                await told.pilot.pause()
                await told.fits()
                assert "Held: battery and ignition. Made: battery." in told.text

        by_hand(script)

    def test_states(self, by_hand):
        trip = Noted("trip_stall", "It is jammed. Let it cool.", 2.0)
        hot = Noted("not_fed", "Not fed: the winding is hot. Let the unit cool.", 9.0)

        async def script(told):
            assert told.state.word == "By hand"
            await told.hear(trip, rows=[turn(1.0, 2.0, to_run=False), rest(2.0, 5.0)])
            assert told.state.word == "Tripped"
            assert (
                told.state.text
                == "It is jammed. Let it cool. Let go for a second, then feed again."
            )
            assert "Let go for a second, then feed again." in told.text
            # It stays until something is fed again.
            await told.hear(rows=[rest(5.0, 8.0), turn(8.0, 8.4, to_run=False)])
            assert told.state.word == "By hand"
            await told.hear(hot, rows=[rest(8.4, 9.1)])
            assert (told.state.word, told.state.text) == ("Not fed", hot.text)
            await told.hear(RunEnded(None, RunState.STOPPED, None, True, "Stopped: by jo."))
            assert told.state.word == "By hand over, stopped"
            assert "F9 Begin" in told.text
            assert all(n.stale for n in told.screen.numerals.values())
            told.desk.live = Live(job=run_order(told.console), phase=Phase.ON)
            await told.hear()
            assert told.state.word == "Not now"
            assert "F3" in told.state.text
            told.desk.live = Live()
            await told.hear()
            assert told.state.word == "By hand"
            assert "a short tap keeps the feed made for up to 0.75 s" in told.text
            assert "0.75 s" in told.screen.guide
            assert HOW in told.screen.guide

        by_hand(script)

    def test_touches(self, by_hand):
        run = HalfTurn(1, Direction.TO_RUN, Outcome.PARKED, 1.0, half_turn_s=0.718)
        stalled = HalfTurn(2, Direction.TO_STOP, Outcome.STALLED, 2.0)
        done = StepEnded(1, "by_hand", "By hand", StepState.DONE, (), (run,), "")
        cut = StepEnded(2, "by_hand", "By hand", StepState.CUT_SHORT, (), (stalled,), "It jammed.")
        empty = StepEnded(3, "by_hand", "By hand", StepState.DONE, (), (), "")

        async def script(told):
            assert "No touch yet." in told.text
            await told.hear(done)
            assert "touch 1 to run 0.718 s parked" in told.text
            await told.hear(cut)
            assert "touch 2 to stop stalled , cut short" in told.text
            await told.hear(empty)
            await told.pilot.resize_terminal(120, 40)
            await told.pilot.pause()
            rows = [row.strip() for row in screen_rows(told.console) if "touch " in row]
            assert [row.split()[1] for row in rows] == ["3", "2", "1"]
            assert "no half-turn" in rows[0]

        by_hand(script)


class TestBeginning:
    def test_what_is_missing_is_said(self, make_console, tmp_path):
        settings = settings_with_plans(tmp_path / "plans", broken='title = "x"\nnonsense = 1\n')
        console = make_console(settings=settings, until_s=0.0)

        async def script(pilot):
            await pilot.press("f4")
            await until(pilot, lambda: isinstance(console.screen, ByHandScreen))
            screen = console.screen
            assert console.focused is None
            select = screen.query_one("#plan", Select)
            assert select.value == next(iter(console.desk.plans()))
            select.value = "broken"
            await pilot.press("f9")
            assert "broken.toml" in screen_text(console)
            assert "Choose another plan" in screen_text(console)
            assert console.focused is select
            select.value = "incoming"
            screen.query_one("#serial", Input).value = "\x07 bell"
            await pilot.press("f9")
            await pilot.pause()
            assert "cannot be printed" in screen_text(console)
            assert console.focused is screen.query_one("#serial")
            assert console.desk.live.phase is Phase.NONE
            # A scanner's Enter leads to the button and begins nothing.
            screen.query_one("#serial", Input).value = ""
            await pilot.press(*"LM-7", "enter")
            assert console.focused is screen.query_one("#begin", Button)
            assert console.desk.live.phase is Phase.NONE
            # Nor does another that it sends at once.
            await pilot.press("enter")
            assert console.desk.live.phase is Phase.NONE
            await pilot.pause(ENTER_AGAIN_S)
            await pilot.press("enter")
            await until(pilot, lambda: console.desk.live.on)
            assert console.desk.live.job.unit_serial == "LM-7"
            assert console.desk.live.job.plan.name == "incoming"
            assert console.focused is None

        drive(console, script)


class TestWithAUnit:
    """The simulated bench, in virtual time."""

    def test_from_begin_to_end(self, make_console):
        console = make_console(until_s=0.0, now_s=Clock(), plan="incoming")

        async def hold(pilot, bench, key, seconds):
            """Hold a key: it repeats every 0.25 s of the bench's time."""
            end_s = bench._now_s + seconds
            while bench._now_s < end_s - 1e-6:
                await pilot.press(key)
                bench.hold_at(min(bench._now_s + 0.25, end_s))
                await rested(pilot, bench)

        async def after(pilot, bench, seconds):
            bench.advance(seconds)
            await rested(pilot, bench)
            console.screen.show_all()

        async def script(pilot):
            await pilot.press("f4")
            await until(pilot, lambda: isinstance(console.screen, ByHandScreen))
            screen = console.screen
            await pilot.press("f9")
            await until(pilot, lambda: console.benches[-1].begun)
            bench = console.benches[-1]
            bench.hold_at(2.0)
            await accept(pilot)
            await rested(pilot, bench)
            assert screen.can_feed
            settings = console.desk.settings

            await hold(pilot, bench, "space", 1.2)
            assert feeds_are_on(bench.backend, settings)
            screen.show_all()
            assert screen.query_one(HalfTurnDial).in_words == "parked at run"
            await pilot.press("b")  # takes over: the way back
            await hold(pilot, bench, "b", 1.2)
            await pilot.press("x")
            await after(pilot, bench, 0.1)
            assert not feeds_are_on(bench.backend, settings)
            await after(pilot, bench, 3.0)
            touches = screen.query_one(TouchList).rows
            turns = [(t.to_run, t.outcome) for touch in touches for t in touch.turns]
            assert turns == [(True, "parked"), (False, "parked")]
            assert screen.query_one(HalfTurnDial).in_words == "parked at stop"

            # A tap: the bench itself ends the lease.
            await pilot.press("i")
            await after(pilot, bench, FIRST_LEASE_S - 0.1)
            assert feeds_are_on(bench.backend, settings)
            await after(pilot, bench, 0.2)
            assert not feeds_are_on(bench.backend, settings)
            await after(pilot, bench, 3.0)

            console.desk.tell(Meddle("apply_fault", {"fault": "jammed=90"}))
            await hold(pilot, bench, "space", 1.4)
            assert not feeds_are_on(bench.backend, settings)  # tripped, though still held
            screen.show_all()
            assert screen.state_line.state.word == "Tripped"
            assert screen.state_line.state.text.endswith("Let go for a second, then feed again.")
            assert console.desk.live.on
            await pilot.press("x")
            await after(pilot, bench, 3.0)
            assert screen.query_one(TouchList).rows[-1].turns[-1].outcome == "stalled"

            await pilot.press("f12")
            assert any(isinstance(command, Stop) for command in bench.commands)
            bench.hold_at(600.0)
            await ended(pilot)
            screen.show_all()
            assert screen.state_line.state.word == "By hand over, stopped"
            assert console.screen is screen

        drive(console, script)
