"""What every station does, in one row: nothing that needs somebody hides behind another station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Static

from rig.console.desk import Desk
from rig.console.desks import serial_of
from rig.console.station_glance import glance

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

_CHOSEN = "▸"


class StationTab(Static):
    """A station and what it does, to click on; the chosen one has an arrow before it."""

    app: HalfturnConsole

    def __init__(self, desk: Desk) -> None:
        super().__init__("", markup=False)
        self.desk = desk
        self._shown: object = None

    def show(self, *, chosen: bool) -> None:
        """Show what the station does now; cheap if nothing changed."""
        seen = glance(self.desk)
        shown = (chosen, seen, serial_of(self.desk))
        if shown == self._shown:
            return
        self._shown = shown
        self.set_class(chosen, "-chosen")
        self.set_class(seen.needs, "-needs")
        name = f"{_CHOSEN if chosen else ' '}{self.desk.choices.station} "
        word = (f" {seen.word} ", "bold reverse") if seen.needs else (seen.word, "bold")
        # The unit comes last: where there is no room it is what may be cut.
        self.update(
            Text.assemble((name, "bold"), word, f" {shown[2]}", no_wrap=True, overflow="ellipsis")
        )

    async def on_click(self) -> None:
        """Choose it."""
        self.app.choose(self.desk)


class StationsTab(Static):
    """The keys that lead to other stations; a click leads to all of them side by side."""

    async def on_click(self) -> None:
        """Go there."""
        await self.app.run_action("app.go('stations')")


class StationsLine(Horizontal):
    """One row with a `StationTab` for each station; empty and away on a rig of one station."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    StationsLine { height: 1; dock: top; background: $panel; }
    StationsLine StationTab { width: 1fr; height: 1; color: $text-muted; }
    StationsLine StationTab:hover { text-style: underline; }
    StationsLine StationTab.-chosen { color: $primary; }
    StationsLine StationTab.-needs { color: $error; }
    StationsLine StationsTab { width: auto; padding: 0 1; color: $text-muted; }
    StationsLine StationsTab:hover { text-style: underline; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._tabs: list[StationTab] = []

    def compose(self) -> ComposeResult:
        """Lay out a tab for each station."""
        self._tabs = [StationTab(desk) for desk in self.app.desks]
        yield from self._tabs
        yield StationsTab("^N F10", classes="brief", markup=False)
        yield StationsTab("^N next  F10 all", classes="whole", markup=False)

    def on_mount(self) -> None:
        """Show the present state."""
        self.show()

    def show(self) -> None:
        """Show what the stations do now; cheap if nothing changed."""
        chosen = self.app.desks.chosen
        for tab in self._tabs:
            tab.show(chosen=tab.desk is chosen)
