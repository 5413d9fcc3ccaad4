"""A station as it is wired, what it shares with the others, and what is unwise about the rig."""

from __future__ import annotations

from collections.abc import Iterable

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from rig.console.desk import Desk
from rig.console.rig_facts import Fact, calibration_fact, rig_facts, station_facts, world_words

_PARTS = {
    "world": "What is real",
    "calibration": "Calibration",
    "warnings": "To know",
    "station": "",
    "shared": "The whole rig",
}


class WiringView(VerticalScroll, can_focus=True):
    """Shows the station chosen; scrolled by the arrow keys when it has the focus."""

    DEFAULT_CSS = """
    WiringView { scrollbar-size-vertical: 1; }
    WiringView:focus { text-style: none; }
    WiringView > .heading { text-style: bold; color: $primary; }
    WiringView:focus > .heading { text-style: bold underline; }
    WiringView > .part { margin-bottom: 1; }
    WiringView > #wiring-warnings-heading { color: $warning; }
    """

    def compose(self) -> ComposeResult:
        """Lay out the parts."""
        for part, heading in _PARTS.items():
            yield Static(heading, id=f"wiring-{part}-heading", classes="heading", markup=False)
            yield Static("", id=f"wiring-{part}", classes="part", markup=False)

    def show(self, desk: Desk) -> None:
        """Show the desk's station."""
        settings, station = desk.settings, desk.station
        count = len(settings.stations)
        which = (
            f" ({settings.stations.index(station) + 1} of {count}, S: next)" if count > 1 else ""
        )
        self.query_one("#wiring-station-heading", Static).update(f"Station {station.name}{which}")
        warnings = settings.warnings()
        self._part("world", world_words(desk))
        self._part("calibration", calibration_fact(desk))
        self._part("warnings", _sentences(warnings) if warnings else None)
        self._part("station", _table(station_facts(station)))
        self._part("shared", _table(rig_facts(settings)))

    def _part(self, name: str, shown: Table | str | None) -> None:
        part = self.query_one(f"#wiring-{name}", Static)
        part.display = self.query_one(f"#wiring-{name}-heading").display = shown is not None
        part.update(shown or "")


def _table(facts: Iterable[Fact]) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=14, no_wrap=True)
    grid.add_column(ratio=1, overflow="fold")
    for name, how in facts:
        grid.add_row(Text(name, style="dim"), Text(how))
    return grid


def _sentences(sentences: Iterable[str]) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=1)
    grid.add_column(ratio=1)
    for sentence in sentences:
        grid.add_row(Text("!", style="bold"), Text(sentence))
    return grid
