"""The head of every screen: which rig, simulated or not, what the feeds are, and the places."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from rig.console.feeds_words import feeds_of
from rig.console.job_state import step_words
from rig.console.live_job import Phase
from rig.console.places import places, tab_of
from rig.console.rig_job import is_calibration
from rig.console.widgets.stations_line import StationsLine
from rig.quality.calibration import Standing
from rig.quality.calibration_words import standing_in_short

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class PlaceTab(Static):
    """A place's name and key, to click on."""

    def __init__(self, name: str, key: str, title: str, *, here: bool) -> None:
        super().__init__(f"{key.upper()} {title}", id=f"tab-{name}", markup=False)
        self.place = name
        self.set_class(here, "-here")

    async def on_click(self) -> None:
        """Go there."""
        await self.app.run_action(f"app.go('{self.place}')")


class MoreTab(Static):
    """Opens the list of actions, for whoever works by mouse."""

    def __init__(self) -> None:
        super().__init__("^P More", id="tab-more", markup=False)

    async def on_click(self) -> None:
        """Open the list."""
        await self.app.run_action("app.command_palette")


class Head(Vertical):
    """Two lines: the rig and its feeds; the places.  With several stations one more, of each."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    Head { height: auto; dock: top; background: $panel; }
    Head > .line { height: 1; }
    Head #head-rig { width: 1fr; padding: 0 1; color: $text-muted;
      text-wrap: nowrap; text-overflow: ellipsis; }
    Head #head-simulated { width: auto; padding: 0 1; text-style: bold reverse; color: $warning; }
    Head #head-feeds { width: auto; padding: 0 1; text-style: bold; }
    Head #head-feeds.-on { text-style: bold reverse; color: $error; }
    Head #head-feeds.-doubt { text-style: bold reverse blink; color: $error; }
    Head PlaceTab { width: auto; padding: 0 1; color: $text-muted; }
    Head MoreTab { width: auto; padding: 0 1; color: $text-muted; }
    Head PlaceTab:hover, Head MoreTab:hover { text-style: underline; }
    Head PlaceTab.-here { text-style: bold reverse; color: $primary; }
    """

    def __init__(self, place: str) -> None:
        super().__init__()
        self._place = place
        self._shown: tuple[str, str, bool, bool, bool] | None = None
        self._stations: StationsLine | None = None

    def compose(self) -> ComposeResult:
        """Lay out both lines."""
        desk = self.app.desk
        with Horizontal(classes="line"):
            yield Static("", id="head-rig", markup=False)
            yield Static("SIMULATED", id="head-simulated")
            yield Static("", id="head-feeds", markup=False)
        with Horizontal(classes="line"):
            for place in places(desk.has_world):
                here = place.name == tab_of(self._place)
                yield PlaceTab(place.name, place.key, place.title, here=here)
            yield MoreTab()
        if self.app.desks.several:
            self._stations = StationsLine()
            yield self._stations

    def on_mount(self) -> None:
        """Show the present state."""
        self.show()

    def show(self) -> None:
        """Show what the desk knows now; cheap if nothing changed."""
        if self._stations is not None:
            self._stations.show()
        desk = self.app.desk
        # The rig's name comes last: in 80 columns it is what may be cut.
        words = (
            f"Station {desk.choices.station}",
            self._job(),
            standing_in_short(self._standing()),
            desk.settings.name,
        )
        feeds, on, doubt = feeds_of(desk)
        if self.app.desks.several:  # those of the others may be on
            feeds = f"{desk.choices.station}: {feeds}"
        shown = ("  ".join(filter(None, words)), feeds, on, doubt, desk.simulated)
        if shown == self._shown:
            return
        self._shown = shown
        self.query_one("#head-rig", Static).update(
            Text(shown[0], no_wrap=True, overflow="ellipsis")
        )
        self.query_one("#head-simulated").display = desk.simulated
        line = self.query_one("#head-feeds", Static)
        line.update(feeds)
        line.set_class(on, "-on")
        line.set_class(doubt, "-doubt")

    def _standing(self) -> Standing | None:
        """How the station's calibration stands: by the run that is on, else by the records."""
        desk = self.app.desk
        began = desk.live.began if desk.live.on else None
        return began.calibration if began is not None else desk.calibration

    def _job(self) -> str:
        live = self.app.desk.live
        if live.phase is Phase.GONE:
            return "bench process gone"
        if not live.on:
            return ""
        if live.rig_check:
            return "calibration on" if is_calibration(live) else "rig check on"
        if live.by_hand:
            return "by hand"
        what = "isolation" if live.isolation else "run"
        if live.phase is Phase.STARTING or live.step is None:
            return f"{what} starting"
        word = "paused" if live.phase is Phase.PAUSED else f"{what} on"
        return f"{word}, {step_words(live.step)}"
