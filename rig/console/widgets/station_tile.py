"""One station among others: its unit, what it does, its current of the last seconds."""

from __future__ import annotations

from dataclasses import replace

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Static

from rig.bench.events import RunEnded
from rig.bench.order import RunOrder
from rig.console.desk import Desk
from rig.console.desks import serial_of
from rig.console.feeds_words import feeds_of
from rig.console.job_state import JobState, hand_state, run_state
from rig.console.live_job import Phase
from rig.console.live_picture import LivePicture
from rig.console.plan_progress import clock_words, step_rows
from rig.console.rig_job import rig_state
from rig.console.run_view import verdict_words, view_of_live
from rig.console.station_glance import Glance, glance
from rig.console.turn_rows import touch_rows, turn_rows
from rig.console.widgets.progress_line import bar
from rig.console.widgets.state_line import StateLine
from rig.console.widgets.trace import TraceView
from rig.console.widgets.turn_list import TurnList

FREE = JobState("Free", "Choose it, then scan the next unit.")
# Words change at a tenth of a second: every so many frames.
_READ_EVERY = 2


class StationTile(Vertical):
    """A station of `desk`, drawn live; a click posts `Opened`."""

    DEFAULT_CSS = """
    StationTile { height: 1fr; border: round $panel-lighten-2; padding: 0; }
    StationTile.-chosen { border: heavy $primary; }
    StationTile.-needs { border-title-style: bold reverse; border-title-color: $error; }
    StationTile .tile-head { height: 1; padding: 0 1; }
    StationTile .tile-unit { width: 1fr; text-style: bold; text-wrap: nowrap;
      text-overflow: ellipsis; }
    StationTile .tile-feeds { width: auto; text-style: bold; }
    StationTile .tile-feeds.-on { text-style: bold reverse; color: $error; }
    StationTile .tile-feeds.-doubt { text-style: bold reverse blink; color: $error; }
    StationTile StateLine.-alert { max-height: 2; }
    StationTile .tile-plan { height: 1; padding: 0 1; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    class Opened(Message):
        """The tile was clicked on."""

        def __init__(self, tile: StationTile) -> None:
            super().__init__()
            self.tile = tile

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.border_title = desk.choices.station
        self._seen: Glance | None = None
        self.view = TraceView()
        self._unit = Static("", classes="tile-unit", markup=False)
        self._feeds = Static("", classes="tile-feeds", markup=False)
        self._state = StateLine()
        self._turns = TurnList()
        self._plan = Static("", classes="tile-plan", markup=False)
        self._picture = LivePicture(desk)
        self._shown: dict[Static, object] = {}
        self._ended: RunEnded | None = None
        self._verdict = ("", "")
        self._drawn_s = float("nan")
        self._frame = 0

    def compose(self) -> ComposeResult:
        """Lay out unit and feeds, state, trace, half-turns, progress."""
        with Horizontal(classes="tile-head"):
            yield self._unit
            yield self._feeds
        yield self._state
        yield self.view
        yield self._turns
        yield self._plan

    def on_click(self) -> None:
        """Tell that it was clicked on."""
        self.post_message(self.Opened(self))

    # --- what is shown -------------------------------------------------------------------------

    def show_all(self) -> None:
        """Show everything in the frame that comes."""
        self._drawn_s = float("nan")
        self._frame = 0

    def on_frame(self) -> None:
        """Draw the trace and the feeds; every other time the words as well."""
        if not self.view.is_attached:
            return
        self._picture.follow()
        self._draw_trace()
        feeds, on, doubt = feeds_of(self.desk)
        if self._put(self._feeds, feeds):
            self._feeds.set_class(on, "-on")
            self._feeds.set_class(doubt, "-doubt")
        if self._frame % _READ_EVERY == 0:
            self._show_words()
        self._frame += 1

    def _put(self, where: Static, text: str | Text) -> bool:
        """Show ``text``; False if it is shown already."""
        if self._shown.get(where) == text:
            return False
        self._shown[where] = text
        where.update(text)
        return True

    def _draw_trace(self) -> None:
        view, tail = self.view, self.desk.tail
        view.stale = not self.desk.fresh
        if not len(tail):
            if self._drawn_s != 0.0:
                view.show_nothing("starting" if self.desk.live.on else "nothing yet")
                self._drawn_s = 0.0
            return
        newest_s = tail.last("time_s")
        if newest_s != self._drawn_s:
            self._drawn_s = newest_s
            chart = self._picture.chart(rolling=True)
            current = [one for one in chart.series if one.quantity == "current"]
            limits = [one for one in chart.limits if one.label.startswith("running")]
            view.show(current, limits, chart.window)

    def _show_words(self) -> None:
        live = self.desk.live
        job = live.job
        unit = serial_of(self.desk) or self.desk.choices.serial
        self._put(self._unit, unit or "no unit yet")
        self._entitle()
        self._state.show(self._job_state(unit))
        rows = touch_rows(live)[-1:] if live.by_hand else []
        turns = [turn for row in rows for turn in row.turns] if live.by_hand else turn_rows(live)
        self._turns.show(turns if isinstance(job, RunOrder) else [])
        self._put(self._plan, self._progress())

    def _entitle(self) -> None:
        """Have the station's name tell what somebody is needed for."""
        seen = glance(self.desk)
        if seen != self._seen:
            self._seen = seen
            name = self.desk.choices.station
            self.border_title = f"{name}: {seen.word}" if seen.needs else name
            self.set_class(seen.needs, "-needs")

    def _job_state(self, unit: str) -> JobState:
        state = self._whole_state()
        # The unit stands above it.
        return replace(state, text=state.text.removeprefix(unit).removeprefix(",").strip())

    def _whole_state(self) -> JobState:
        live = self.desk.live
        if live.phase is Phase.NONE:
            return FREE
        if live.rig_check:
            return rig_state(self.desk)
        if live.by_hand:
            return hand_state(self.desk, float("-inf"))
        state = run_state(self.desk)
        return state if live.on else self._with_verdict(state)

    def _with_verdict(self, state: JobState) -> JobState:
        """Return how the run that is over stands, its verdict first if it has one."""
        ended = self.desk.live.ended
        if ended is not self._ended:
            self._ended, view = ended, view_of_live(self.desk.live)
            self._verdict = ("", "") if view is None else verdict_words(view)
        if ended is None or ended.judgement is None or not ended.feeds_off:
            return state
        word, says = self._verdict
        return replace(state, word=word) if state.alert else JobState(word, says)

    def _progress(self) -> Text:
        """Return plan, how far it is, and about how long it still takes."""
        live = self.desk.live
        job = live.job
        if not isinstance(job, RunOrder):
            return Text()
        text = Text(no_wrap=True, overflow="ellipsis")
        steps = [] if live.by_hand else step_rows(live)
        if steps:
            done = sum(row.over for row in steps)
            text.append(f"{bar(steps)} {done}/{len(steps)} ")
        left_s = live.time_left_s(self.desk.tail.last("time_s")) if live.on and steps else None
        if left_s is not None:
            text.append(f"{clock_words(left_s)} left ", style="bold")
        text.append(job.plan.title, style="dim")
        return text
