"""The Live screen: every state in words, nothing stale shown as live, runs to their end."""

from __future__ import annotations

from uuid import uuid4

import pytest
from bench_runs import HEAD, make_plan
from console_pilot import drive
from console_runs import ended, run_order, running, screen_rows, screen_text
from live_rows import rest, turn
from stand_in import rested, until
from told import Clock, told_console

from rig.analysis.model import Direction, HalfTurn, Judgement, Outcome, Verdict
from rig.bench.commands import GoOn, Meddle, Pause, RepeatStep, Stop
from rig.bench.events import (
    Asked,
    HalfTurnEnded,
    Noted,
    Paused,
    Refused,
    RunBegan,
    RunEnded,
    StepBegan,
    StepEnded,
    WentOn,
)
from rig.bench.order import ByHandOrder, RigCheckOrder
from rig.bench.requests import Ask
from rig.console.live_job import Phase
from rig.console.plan_progress import step_rows
from rig.console.screens.live import LiveScreen
from rig.console.widgets.dial import HalfTurnDial
from rig.console.widgets.progress_line import ProgressLine, StepList
from rig.console.widgets.trace import TraceView
from rig.console.widgets.turn_list import TurnList
from rig.records.model import RunState, StepState

SIZES = [(80, 24), (120, 40)]
TURNS = '[[step]]\nkind = "half_turns"\ncount = 6\npause_s = 0.4\n'
ZERO = '[[step]]\nkind = "zero"\n'
PLAN = make_plan(ZERO, TURNS, ZERO, head=HEAD.replace("run_max_a = 7.0", "run_max_a = 3.0"))
HOME = rest(0.0, 1.0, battery=True)
TURNING = (HOME, turn(1.0, 1.4, to_run=True))
BEGAN = RunBegan(uuid4(), "A", "Test plan", 3, 30.0, True, {})
STEP = StepBegan(2, 3, "half_turns", "Half-turns", 12.0, 0.5, 6, expected_after_s=20.0)


@pytest.fixture(scope="module")
def live(tmp_path_factory):
    """Return a function that runs a script on Live."""
    with told_console("live", tmp_path_factory.mktemp("live") / "records.sqlite") as run:
        yield run


async def run_on(told, *events, job=None, **more):
    """Have another run on, and this told of it."""
    await told.anew(job or run_order(told.console, PLAN), *events, **more)


def measured(number, outcome=Outcome.PARKED, half_turn_s=0.718):
    way = Direction.TO_RUN if number % 2 else Direction.TO_STOP
    return HalfTurn(number, way, outcome, 1.0, half_turn_s=half_turn_s, run_a=2.31, peak_a=13.8)


def step_ended(number, *turns, state=StepState.DONE):
    title = "Half-turns" if number == 2 else "Sensor zero"
    return StepEnded(number, "half_turns", title, state, (), turns, "")


def run_ended(state=RunState.FINISHED, note="", *, verdict=None, feeds_off=True):
    judgement = None if verdict is None else Judgement(verdict)
    return RunEnded(None, state, judgement, feeds_off, note)


class TestWhatIsShown:
    def test_a_half_turn_at_both_sizes(self, live):
        async def script(told):
            await run_on(told, BEGAN, STEP, rows=TURNING)
            for size in SIZES:
                await told.pilot.resize_terminal(*size)
                await told.pilot.pause()
                shown = {name: told.value(name) for name in ("current", "voltage", "half-turn")}
                assert shown == {"current": "2.20", "voltage": "12.5", "half-turn": "0.40"}
                assert told.value("count") == "1/6"
                # 12 s of the step and 20 s after it, 0.9 s into the step.
                assert told.value("left-time") == told.value("left-time-aside") == "0:31"
                dial = told.see(HalfTurnDial)
                assert (dial.in_words, dial.parked) == ("turning to run", "stop")
                assert 80.0 < dial.angle_deg < 120.0
                for said in (
                    "Run on LM-12-0288, step 2 of 3: Half-turns",
                    "this one, to run",
                    "running 3 A",
                    "longest 1.17 s",
                    "guard 33 A",
                ):
                    assert said in told.text
                text = told.text.lower()
                assert "ignition feed on" in text or "battery on ignition on" in text
                for said in ("emergency stop clear", "dead-man held", "sensor good"):
                    assert said in text

        live(script)

    def test_everything_fits_and_the_numbers_are_large(self, live):
        async def script(told):
            await run_on(told, BEGAN, STEP, rows=TURNING)
            for size in [*SIZES, (80, 40), (132, 24), (200, 50)]:
                await told.pilot.resize_terminal(*size)
                await told.pilot.pause()
                await told.fits()
                seen = [n for n in told.screen.numerals.values() if n.region.area]
                names = {n.id.removesuffix("-aside") for n in seen}
                assert names == {"current", "voltage", "half-turn", "count", "left-time"}
                for numerals in seen:
                    high = sum(any(c in "█▀▄" for c in line) for line in numerals.text_lines)
                    assert high >= 3, numerals
                assert told.see(TraceView).region.height >= 11
                assert told.see(HalfTurnDial).region.height >= 7

        live(script)

    def test_outcomes_as_they_fall_and_progress(self, live):
        async def script(told):
            await run_on(told, BEGAN, STEP)
            assert "█▒░ step 2 of 3: Half-turns then Sensor zero" in told.text
            assert "No half-turn yet." in told.text
            await told.hear(HalfTurnEnded(True, True, 0.72), HalfTurnEnded(False, False, 1.4))
            rough = "2 to stop about 1.4 s did not park · 1 to run about 0.7 s parked"
            assert rough in told.text
            assert told.value("count") == "2/6"
            turns = (measured(1), measured(2, Outcome.SLOW, 1.412))
            await told.hear(step_ended(2, *turns, state=StepState.CUT_SHORT))
            assert "2 to stop 1.412 s slow · 1 to run 0.718 s parked" in told.text
            assert told.value("count") == "2/6"
            await told.hear(run_ended(RunState.STOPPED, "Stopped: by jo."))
            assert "1 of 3 steps done, Half-turns cut short" in told.text
            assert "then Sensor zero" not in told.text

        live(script)

    def test_tables_where_there_is_room_and_half_turns_before(self, live):
        async def script(told):
            before = [turn(1.0, 2.4, to_run=True), turn(2.4, 3.8, to_run=False)]
            await run_on(told, BEGAN, rows=[HOME, *before, turn(3.8, 4.1, to_run=True)])
            await told.hear(step_ended(1, *(measured(n) for n in range(1, 10))), STEP)
            rows = [" ".join(row.split()) for row in screen_rows(told.console)]
            assert any("9 to run 0.718 s parked 2.31 A 13.8 A" in row for row in rows)
            assert not any("1 to run 0.718" in row for row in rows)  # the last ones fit
            for end in ("1 Sensor zero done", "2 Half-turns on", "3 Sensor zero to come"):
                assert any(row.endswith(end) for row in rows)
            assert "before, to run" in told.text

        live(script, (120, 40))


class TestStates:
    """Every state in its own words."""

    def test_no_run(self, live):
        async def script(told):
            assert told.state.word == "No run"
            assert "F2" in told.state.text
            assert all(n.value is None for n in told.screen.numerals.values())
            assert "no run is on" in told.text
            assert "Not watched: no job is on." in told.text
            await told.pilot.press("p", "r", "space")
            assert told.sent == []
            assert "Pause" not in told.text
            station = told.desk.station
            for job, key in (
                (run_order(told.console, PLAN, ByHandOrder), "F4"),
                (RigCheckOrder(told.desk.settings, station), "F7"),
            ):
                await run_on(told, rows=TURNING, job=job)
                assert told.state.word == "No run"
                assert key in told.state.text
                assert told.value("current") is None
                assert told.see(HalfTurnDial).angle_deg is None
                assert "no run is on" in told.text

        live(script)

    def test_nothing_stale_is_shown_as_live(self, live):
        async def script(told):
            await run_on(told, BEGAN, STEP, rows=TURNING)
            for size in SIZES:
                await told.pilot.resize_terminal(*size)
                numbers = told.screen.numerals.values()
                assert not any(n.stale for n in numbers)
                told.desk._now_s.s += 0.8
                told.screen.on_frame()
                told.screen.on_frame()
                await told.pilot.pause()
                assert told.state.word == "No live data"
                assert "0.8 s" in told.state.text
                assert all(n.stale for n in numbers)
                assert told.see(TraceView).stale
                assert told.see(HalfTurnDial).in_words == "last known"
                assert {w.word for w in told.screen.rig_lists[0].words} == {"not known"}
                assert told.text.count(" old ") >= 5
                told.desk._fresh_s = told.desk._now_s()
                await told.hear()
                assert told.state.word == "Run on"
                assert not any(n.stale for n in numbers)
                assert told.see(HalfTurnDial).in_words == "turning to run"

        live(script)

    def test_pause_and_repeat(self, live):
        async def script(told):
            press = told.pilot.press
            await run_on(told, BEGAN, STEP, rows=[HOME])
            assert "P Pause" in told.text
            await press("p")
            assert told.sent == [Pause()]
            assert "Pausing after this half-turn" in told.state.text
            await told.pilot.pause()
            assert "P Go on" in told.text
            await press("space")
            assert told.sent.pop() == GoOn()
            assert told.state.word == "Run on"
            await told.hear(Paused("paused"))
            assert told.state.word == "Paused"
            assert "Feeds off" in told.state.text
            await press("f9")
            assert told.sent.pop() == GoOn()
            await told.hear(WentOn())
            await press("r")
            assert told.sent.pop() == RepeatStep()
            assert "will be repeated" in told.state.text
            await press("p")
            assert "Pausing" in told.state.text
            assert "is repeated" in told.state.text
            await press("p", "ctrl+r")
            assert told.sent[-2:] == [GoOn(), RepeatStep(wanted=False)]
            again = StepBegan(2, 3, "half_turns", "Half-turns", 12.0, 0.5, 6, repeated=True)
            await told.hear(again)
            assert told.state.text.endswith("Half-turns, repeated")
            await told.hear(step_ended(2))
            told.sent.clear()
            await press("r")  # between two steps there is nothing to repeat, but in a pause
            assert told.sent == []
            await told.hear(Paused("paused"))
            assert "R repeats step 2" in told.state.text
            await press("r")
            assert told.sent == [RepeatStep()]
            assert "step 2 is repeated" in told.state.text

        live(script)

    def test_in_words(self, live):
        ask, trip = Ask("hang_load", "Hang the load.\nMore."), "The unit is jammed. Let it cool."
        states = {
            "Waiting": (Asked(ask), "Hang the load."),
            "Tripped": (Noted("trip_stall", trip, 1.0), "Let it cool."),
            "Not begun": (Refused("No sensor. Check its plug."), "Check its plug."),
            "A FEED IS NOT OFF": (run_ended(feeds_off=False), "Pull the supply now."),
            "Run over, tripped": (run_ended(note="It was jammed."), "It was jammed."),
            "Run over, stopped": (run_ended(RunState.STOPPED, "By jo."), "By jo."),
            "Run over, broken off": (run_ended(RunState.INTERRUPTED, "No rig."), "No rig."),
            "Run over: pass": (run_ended(verdict=Verdict.PASS), "F5"),
        }

        async def script(told):
            await run_on(told)
            assert told.state.word == "Starting"
            assert "starting" in told.text
            for word, (event, said) in states.items():
                await run_on(told, BEGAN, STEP, event, rows=TURNING)
                assert told.state.word == word
                assert said in told.state.text
                assert f" {word} " in told.text
                for numerals in told.screen.numerals.values():
                    over = not told.desk.live.on and numerals.value is not None
                    assert numerals.stale == over
            await run_on(told, BEGAN, STEP, rows=TURNING)
            told.desk.live.gone()
            await told.hear()
            assert told.state.word == "Bench gone"
            assert "Press the emergency stop" in told.state.text
            rows = step_rows(told.desk.live)
            assert (rows[STEP.number - 1].word, rows[STEP.number - 1].over) == ("broken off", False)

        live(script)

    def test_trips_go_and_the_rigs_troubles_come_first(self, live):
        async def script(told):
            await run_on(told, BEGAN, STEP, Noted("trip_run_on", "It ran on.", 1.0), rows=[HOME])
            assert told.state.word == "Tripped"
            await told.hear(rows=[rest(1.0, 10.0)])
            assert told.state.word == "Run on"
            pressed = rest(0.0, 1.0, emergency_stop=1.0, master=0.0)
            await run_on(told, BEGAN, STEP, rows=[pressed])
            assert told.text.index("PRESSED") < told.text.index("battery off")  # never cut off
            assert "DROPPED" in told.text

        live(script)


class TestRuns:
    """The simulated bench, in virtual time."""

    PLAN = make_plan(TURNS.replace("count = 6", "count = 2"))

    @staticmethod
    async def watching(pilot, at_s):
        """Have a run on, standing still at ``at_s``; return its bench and the screen."""
        console = pilot.app
        bench = await running(pilot, run_order(console, TestRuns.PLAN), at_s=at_s)
        console.go("live")
        await until(pilot, lambda: isinstance(console.screen, LiveScreen))
        return bench, console.screen

    def test_a_jam_in_mid_run(self, make_console):
        console = make_console(until_s=0.0, now_s=Clock())

        async def script(pilot):
            bench, screen = await self.watching(pilot, 1.3)
            console.desk.tell(Meddle("apply_fault", {"fault": "jammed=120"}))
            dial = screen.query_one(HalfTurnDial)
            for _ in range(30):
                if dial.in_words == "stalled before run":
                    break
                bench.advance(0.1)
                await rested(pilot, bench)
                screen.show_all()
            assert dial.in_words == "stalled before run"
            assert float(screen.numerals["current"].value) > 14.0
            bench.hold_at(60.0)
            await ended(pilot)
            await until(pilot, lambda: console.screen.place == "verdict")
            await pilot.press("f3")
            await until(pilot, lambda: console.screen is screen)
            assert screen.state_line.state.word == "Run over, tripped"
            assert "look for what blocks" in screen.state_line.state.text
            assert all(n.stale for n in screen.numerals.values() if n.value is not None)
            assert screen.query_one("#last-turns", TurnList).rows[0].outcome == "stalled"
            assert 100.0 < dial.angle_deg < 140.0

        drive(console, script)

    def test_the_terminal_is_resized_in_mid_run(self, make_console):
        console = make_console(until_s=0.0, now_s=Clock())

        async def script(pilot):
            bench, screen = await self.watching(pilot, 2.0)
            assert screen.query_one(StepList).region.area
            assert not screen.query_one(ProgressLine).region.area
            angle_deg = screen.query_one(HalfTurnDial).angle_deg
            assert angle_deg is not None
            await pilot.resize_terminal(80, 24)
            await until(pilot, lambda: screen.has_class("-short", "-narrow"))
            assert not screen.query_one(StepList).region.area
            assert screen.query_one(ProgressLine).region.area
            assert screen.query_one(HalfTurnDial).angle_deg == angle_deg
            assert max(len(row.rstrip()) for row in screen_rows(console)) <= 80
            bench.hold_at(60.0)
            await ended(pilot)
            console.go("live")
            await until(pilot, lambda: console.screen is screen)
            rows = screen.query_one("#last-turns", TurnList).rows
            assert [(row.outcome, row.rough) for row in rows] == [("parked", False)] * 2
            assert screen.state_line.state.word.startswith("Run over: ")

        drive(console, script, (120, 40))

    def test_paused_by_key_going_on_and_stopped(self, make_console):
        console = make_console(until_s=0.0, now_s=Clock())

        async def script(pilot):
            bench, screen = await self.watching(pilot, 2.0)
            await pilot.press("p")
            bench.hold_at(30.0)
            await until(pilot, lambda: console.desk.live.phase is Phase.PAUSED)
            screen.show_all()
            assert screen.state_line.state.word == "Paused"
            assert len(console.desk.live.step_turns) == 1
            await until(pilot, lambda: screen.rig_lists[0].words[0].word == "off")
            assert "last 8 s" in screen_text(console)
            bench.hold_at(0.0)
            await pilot.press("p")
            await until(pilot, lambda: console.desk.live.phase is Phase.ON)
            await pilot.press("f12")
            assert any(isinstance(command, Stop) for command in bench.commands)
            bench.hold_at(60.0)
            await ended(pilot)
            assert console.desk.live.ended.state is RunState.STOPPED

        drive(console, script)
