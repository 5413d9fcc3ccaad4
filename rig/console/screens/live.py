"""The Live screen: a run as it happens."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from rig.bench.commands import GoOn, Pause, RepeatStep
from rig.bench.events import BenchEvent
from rig.console.job_state import JobState, is_run, run_state
from rig.console.letters import letter
from rig.console.live_job import Phase
from rig.console.plan_progress import clock_words, step_rows
from rig.console.screens.watching import WatchingScreen
from rig.console.turn_rows import turn_rows
from rig.console.widgets.progress_line import ProgressLine, StepList
from rig.console.widgets.turn_list import TurnList

# Kinds of step whose half-turns are held against the plan's longest time.
TIMED = frozenset({"half_turns", "loaded", "endurance"})


class LiveScreen(WatchingScreen):
    """Watches the run that is on."""

    place = "live"
    guide = (
        "Watch the run that is on. The chart shows the present half-turn from its feed change on, "
        "with the plan's limits, and the ones before it in a faint line; between half-turns it "
        "shows the last seconds. The dial's angle is an estimate from current and voltage, made "
        "anew at each park. A half-turn's time is rough until its step is over and measured.\n"
        "P pauses when the half-turn that is on is over, feeds off, and goes on again; R repeats "
        "the step that is on, in a pause between steps the one before it. F12 takes the feeds off "
        "and ends the run."
    )
    once = WatchingScreen.once | {"space"}
    BINDINGS: ClassVar[list[BindingType]] = [
        letter("p", "pause", "Pause", "when the half-turn that is on is over", also="space,f9"),
        letter("p", "go_on", "Go on", "end the pause", also="space,f9"),
        letter("r", "repeat", "Repeat step", "when it is over", also="ctrl+r"),
    ]
    DEFAULT_CSS = """
    LiveScreen #turns, LiveScreen #steps, LiveScreen #left-time { display: none; }
    LiveScreen.-wide #left-time { display: block; }
    LiveScreen.-wide #left-time-aside { display: none; }
    LiveScreen.-tall #turns { display: block; height: 8; margin-top: 1; }
    LiveScreen.-tall #last-turns { display: none; }
    LiveScreen.-wide.-tall #steps { display: block; margin-top: 1; }
    LiveScreen.-wide.-tall ProgressLine { display: none; }
    """

    def body(self) -> ComposeResult:
        """Lay out state, numbers, chart and dial, half-turns, plan."""
        yield self.state_line
        yield from self.numbers(
            ("current", "current, A"),
            ("voltage", "voltage, V"),
            ("half-turn", "half-turn, s"),
            ("count", "count"),
            ("left-time", "time left"),
        )
        yield from self.middle(
            left=[TurnList(id="turns")],
            above=[self.new_number("left-time-aside", "time left")],
            below=[StepList(id="steps")],
        )
        yield self.rig_lists[1]
        yield TurnList(id="last-turns")
        yield ProgressLine()

    def is_mine(self) -> bool:
        """Runs of plans are shown here."""
        return is_run(self.desk.live)

    def job_state(self) -> JobState:
        """Return how the run stands."""
        return run_state(self.desk)

    def nothing(self) -> str:
        """Return what the chart says without a run."""
        return "no run is on"

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""
        super().show_all()
        self._show_plan()

    def on_news(self, event: BenchEvent) -> None:
        """Show what has fallen."""
        super().on_news(event)
        self._show_plan()

    def _show_plan(self) -> None:
        mine = self.is_mine()
        steps = step_rows(self.desk.live) if mine else []
        turns = turn_rows(self.desk.live, self._limit_s()) if mine else []
        for turn_list in self.query(TurnList):
            turn_list.show(turns)
        self.query_one(ProgressLine).show(steps, is_open=self.desk.live.isolation)
        self.query_one(StepList).show(steps)

    def _limit_s(self) -> float | None:
        """Return how long a half-turn of this step may take, s; None if that is not judged."""
        step = self.desk.live.step
        return self.picture.longest_s if step is not None and step.kind in TIMED else None

    def draw_numbers(self) -> None:
        """Draw current, voltage, this half-turn's time, count and time left."""
        if not self.is_mine():
            for numerals in self.numerals.values():
                numerals.value, numerals.stale = None, False
            return
        live, numbers = self.desk.live, self.picture.numbers()
        self.number("current", numbers.current_a)
        self.number("voltage", numbers.voltage_v)
        self.number("half-turn", numbers.half_turn_s)
        self.number("count", self._count())
        left_s = live.time_left_s(self.desk.tail.last("time_s")) if live.on else None
        left = None if left_s is None else clock_words(left_s)
        for name in ("left-time", "left-time-aside"):
            self.number(name, left)

    def _count(self) -> str | None:
        """Return which half-turn of how many of the step is on, None if it makes none."""
        live = self.desk.live
        step, turn = live.step, self.picture.turn
        if step is None or not step.half_turns:
            return None
        if not live.step_on:
            count = len(live.steps[-1].half_turns) if live.steps else 0
            return f"{count}/{step.half_turns}"
        count = len(live.step_turns)
        on = turn is not None and turn.ended_s is None and turn.by_ignition
        if on and turn is not None and turn.start_s >= step.time_s:
            count += 1
        return f"{min(count, step.half_turns)}/{step.half_turns}"

    # --- actions --------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what can be told to the bench now."""
        live = self.desk.live
        can = live.on and is_run(live) and not live.stop_wanted
        if action == "pause":
            return can and not self._is_pausing
        if action == "go_on":
            return can and self._is_pausing
        if action == "repeat":
            return can and live.can_repeat
        return super().check_action(action, parameters)

    @property
    def _is_pausing(self) -> bool:
        live = self.desk.live
        return live.phase is Phase.PAUSED or live.pause_wanted

    def action_pause(self) -> None:
        """Pause when the half-turn that is on is over."""
        self.desk.tell(Pause())
        self.show_all()

    def action_go_on(self) -> None:
        """Go on, or take the wish for a pause back."""
        self.desk.tell(GoOn())
        self.show_all()

    def action_repeat(self) -> None:
        """Have the step that is on, or was before the pause, repeated, or take that back."""
        self.desk.tell(RepeatStep(wanted=not self.desk.live.repeat_wanted))
        self.show_all()
