"""What Live and By hand share: numbers, chart, dial and the rig's state, drawn frame by frame."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widget import Widget

from rig.bench.events import BenchEvent
from rig.console.job_state import JobState, is_ready
from rig.console.live_job import Phase
from rig.console.live_picture import LivePicture
from rig.console.rig_state import RigWord, rig_words
from rig.console.screen import DeskScreen
from rig.console.widgets.dial import HalfTurnDial
from rig.console.widgets.numerals import Numerals
from rig.console.widgets.rig_list import RigList
from rig.console.widgets.state_line import StateLine
from rig.console.widgets.trace import TraceView

# Numbers change at a tenth of a second so that they can be read: every so many frames.
READ_EVERY = 2
# From this size on the largest digits fit, columns and rows.
VAST = (190, 45)
# Numbers that keep their place while they change.
MEASURED = frozenset({"current", "voltage", "half-turn"})


class WatchingScreen(DeskScreen):
    """A screen that watches the job that is on; subclasses say which jobs are theirs."""

    DEFAULT_CSS = """
    WatchingScreen #numbers { height: 4; padding: 0 1; }
    WatchingScreen.-tall #numbers { height: 6; padding: 1 1; }
    WatchingScreen.-vast #numbers { height: 8; }
    WatchingScreen #rig-list { display: none; }
    WatchingScreen #rig-line { height: 1; padding: 0 1; }
    WatchingScreen.-tall #rig-list { display: block; height: 6; margin-top: 1; }
    WatchingScreen.-tall #rig-line { display: none; }
    WatchingScreen #middle { height: 1fr; }
    WatchingScreen #left { width: 1fr; }
    WatchingScreen #right { width: 26; padding: 0 1; }
    WatchingScreen HalfTurnDial { width: 100%; height: 1fr; max-height: 15; }
    WatchingScreen.-wide #right { width: 40; padding: 0 2; }
    """

    rolling: ClassVar[bool] = False
    """Whether the chart is always of the last seconds."""

    def __init__(self) -> None:
        super().__init__()
        # Asked for at every frame: looking widgets up each time would cost more than drawing them.
        self.state_line = StateLine()
        self.view = TraceView()
        self.dial = HalfTurnDial()
        self.rig_lists = (RigList(id="rig-list"), RigList(id="rig-line"))
        self.numerals: dict[str, Numerals] = {}
        self._picture: LivePicture | None = None
        self._frame = 0
        self._drawn_s = float("nan")
        self._keys_shown: object = None

    # --- what subclasses say ------------------------------------------------------------------

    def is_mine(self) -> bool:
        """Tell whether the desk's job, on or over, is one that this screen shows."""
        raise NotImplementedError

    def job_state(self) -> JobState:
        """Return how the job stands."""
        raise NotImplementedError

    def nothing(self) -> str:
        """Return what the chart says while there is nothing to show."""
        return "no job is on"

    # --- layout ---------------------------------------------------------------------------------

    def numbers(self, *captions: tuple[str, str]) -> ComposeResult:
        """Lay out a row of numbers, each by its name and caption."""
        with Horizontal(id="numbers"):
            for name, caption in captions:
                yield self.new_number(name, caption, places=4 if name in MEASURED else 0)

    def new_number(self, name: str, caption: str, *, places: int = 0) -> Numerals:
        """Return the numerals of a number that `number` will show."""
        self.numerals[name] = Numerals(caption, places=places, id=name)
        return self.numerals[name]

    def middle(
        self,
        left: Sequence[Widget] = (),
        above: Sequence[Widget] = (),
        below: Sequence[Widget] = (),
    ) -> ComposeResult:
        """Lay out the chart with ``left`` below it; the dial with more above and below it."""
        with Horizontal(id="middle"):
            with Vertical(id="left"):
                yield self.view
                yield from left
            with Vertical(id="right"):
                yield from above
                yield self.dial
                yield self.rig_lists[0]
                yield from below

    def on_resize(self, event: events.Resize) -> None:
        """Use the room of a very large terminal for larger digits."""
        self.set_class(event.size.width >= VAST[0] and event.size.height >= VAST[1], "-vast")

    # --- frames ---------------------------------------------------------------------------------

    @property
    def picture(self) -> LivePicture:
        """What is drawn of the job."""
        if self._picture is None:
            self._picture = LivePicture(self.desk)
        return self._picture

    @property
    def is_laid_out(self) -> bool:
        """Tell whether there is anything to draw on: not while the screen comes or goes."""
        return self.is_running and self.view.is_attached

    @property
    def old(self) -> bool:
        """Tell whether what is shown is old: the job is over, or nothing new comes."""
        return not self.desk.fresh

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""
        self._drawn_s = float("nan")
        self._frame = 0
        self.show_keys()
        self.on_frame()

    def on_news(self, event: BenchEvent) -> None:
        """Show which keys there are now, and everything else in the frame that follows."""
        self.show_keys()
        self._frame = 0

    def show_keys(self) -> None:
        """Show which keys there are now, if these are others: it lays the footer out anew."""
        live = self.desk.live
        wishes = (live.pause_wanted, live.stop_wanted)
        shown = (live.job, live.phase, *wishes, is_ready(live))
        if shown != self._keys_shown:
            self._keys_shown = shown
            self.refresh_bindings()

    def on_frame(self) -> None:
        """Draw the chart; every other time the numbers and words as well."""
        if not self.is_laid_out:
            return
        self.picture.follow()
        self.draw_chart()
        self.draw_rig()  # at every frame, as the head: they say the same of the feeds
        if self._frame % READ_EVERY == 0:
            self.draw_numbers()
            self.draw_dial()
            self.state_line.show(self.job_state())
        self._frame += 1

    def draw_chart(self) -> None:
        """Draw the chart if there is anything new."""
        view, tail = self.view, self.desk.tail
        view.stale = self.old
        if not self.is_mine() or not len(tail):
            starting = self.is_mine() and self.desk.live.phase is Phase.STARTING
            if self._drawn_s != 0.0:
                view.show_nothing("starting" if starting else self.nothing())
                self._drawn_s = 0.0
            return
        newest_s = tail.last("time_s")
        if newest_s != self._drawn_s:
            self._drawn_s = newest_s
            chart = self.picture.chart(rolling=self.rolling)
            view.show(chart.series, chart.limits, chart.window)

    def draw_rig(self) -> None:
        """Draw the rig's own state."""
        words: tuple[RigWord, ...] = ()
        if self.is_mine() and self.desk.live.on:
            settings = self.desk.settings
            words = rig_words(
                self.desk.tail,
                fresh=self.desk.fresh,
                has_stop=settings.emergency_stop is not None,
                has_dead_man=settings.dead_man is not None,
            )
        for rig_list in self.rig_lists:
            rig_list.show(words)

    def draw_dial(self) -> None:
        """Draw the dial."""
        dial = self.dial
        if not self.is_mine():
            dial.angle_deg, dial.uncertainty_deg, dial.parked, dial.state = None, None, None, ""
            return
        lever = self.picture.lever
        dial.angle_deg, dial.uncertainty_deg = lever.angle_deg, lever.u_deg
        dial.parked = self.picture.last_parked
        dial.state = "last known" if self.old else self.picture.dial_state()

    def draw_numbers(self) -> None:
        """Draw the numbers."""
        raise NotImplementedError

    def number(self, name: str, value: float | str | None) -> None:
        """Show ``value`` as the number called ``name``; three digits of one that is measured."""
        if isinstance(value, float):
            value = three_digits(value)
        numerals = self.numerals[name]
        numerals.stale = self.old and value is not None
        numerals.value = value


def three_digits(value: float) -> str | None:
    """Return a number in three digits, so that it stays in its place; None if there is none."""
    if not isfinite(value):
        return None
    text = f"{value:.2f}" if abs(value) < 9.995 else f"{value:.1f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
