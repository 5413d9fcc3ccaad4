"""The Stations screen: every station of the rig side by side, live."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Grid

from rig.bench.events import BenchEvent
from rig.console.desk import Desk
from rig.console.screen import DeskScreen
from rig.console.widgets.station_tile import StationTile

COLUMNS = 2


class StationsScreen(DeskScreen):
    """A tile a station; the arrow keys choose one, Enter opens it."""

    place = "stations"
    guide = (
        "All stations of the rig, live: unit, plan, what the feeds are, the current of the last "
        "seconds, the half-turns as they fall, and the verdict. The arrow keys or a number choose "
        "a station: a scanned label and every other screen are then its own. Enter opens it: the "
        "run that is on, the verdict of one that is over, or Bench to start the next. A question "
        "of any station comes up here and says whose it is; ^N turns away from it for now. ^E "
        "stops the chosen station alone, F12 all of them."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "Open", key_display="Enter", tooltip="the chosen station"),
        Binding("left", "move(-1, 0)", "Left", show=False),
        Binding("right", "move(1, 0)", "Right", show=False),
        Binding("up", "move(0, -1)", "Up", show=False),
        Binding("down", "move(0, 1)", "Down", show=False),
        *(
            Binding(
                number,
                f"number({number})",
                "Choose",
                show=False,
                key_display=number,
                tooltip="a station, by its place in the rig file",
            )
            for number in "1234"
        ),
    ]
    DEFAULT_CSS = """
    StationsScreen Grid { grid-size: 2; grid-gutter: 0; height: 1fr; }
    StationsScreen.-tall StationTile TurnList { height: 4; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._tiles: list[StationTile] = []

    def body(self) -> ComposeResult:
        """Lay out a tile for each station."""
        self._tiles = [StationTile(desk) for desk in self.app.desks]
        with Grid():
            yield from self._tiles

    # --- what is shown -------------------------------------------------------------------------

    def show_all(self) -> None:
        """Show every station from scratch."""
        for tile in self._tiles:
            tile.show_all()
        self.on_frame()

    def on_news(self, event: BenchEvent) -> None:
        """Show which keys there are now; the tiles follow in the frame that comes."""
        self.refresh_bindings()

    def on_frame(self) -> None:
        """Draw what is live at each station."""
        if not self.is_running:
            return
        for tile in self._tiles:
            tile.set_class(tile.desk is self.desk, "-chosen")
            tile.on_frame()

    # --- choosing --------------------------------------------------------------------------------

    def action_move(self, columns: int, rows: int) -> None:
        """Choose the station beside, above or below, if there is one."""
        desks = list(self.app.desks)
        at = desks.index(self.desk)
        column, row = at % COLUMNS + columns, at // COLUMNS + rows
        to = row * COLUMNS + column
        if 0 <= column < COLUMNS and 0 <= to < len(desks):
            self._choose(desks[to])

    def action_number(self, number: int) -> None:
        """Choose a station by its place in the rig file."""
        desks = list(self.app.desks)
        if number <= len(desks):
            self._choose(desks[number - 1])

    def _choose(self, desk: Desk) -> None:
        self.app.choose(desk)
        self.refresh_bindings()

    def action_open(self) -> None:
        """Go where the chosen station is worked."""
        self.app.open_station()

    def on_station_tile_opened(self, event: StationTile.Opened) -> None:
        """Choose what was clicked on; a second click opens it."""
        event.stop()
        if event.tile.desk is self.desk:
            self.action_open()
        else:
            self._choose(event.tile.desk)
