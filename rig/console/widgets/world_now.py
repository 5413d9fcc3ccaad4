"""The simulated world of the job that is on: its state, what may be done to it, what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Grid
from textual.widgets import Button, Static

from rig.bench.events import Noted
from rig.console.known_world import KnownWorld


@dataclass(frozen=True)
class Deed:
    """Something to be done to the world: ``name`` in the program, its key, its words, and the
    `Meddle` it is.
    """

    name: str
    key: str
    words: str
    action: str
    detail: Mapping[str, str] = field(default_factory=dict)


DEEDS = (
    Deed("jam", "j", "Jam lever", "lock_lever"),
    Deed("free", "f", "Free lever", "free_lever"),
    Deed("press", "e", "Press E-stop", "press_emergency_stop"),
    Deed("release", "r", "Release it", "release_emergency_stop"),
    Deed("unplug", "u", "Unplug sensor", "apply_fault", {"fault": "sensor-absent"}),
    Deed("plug", "p", "Plug it in", "clear_fault", {"name": "sensor-absent"}),
    Deed("blow", "b", "Blow fuse", "blow_fuse"),
    Deed("fuse", "w", "New fuse", "fit_fuse"),
    Deed("take", "t", "Take unit off", "remove_unit"),
    Deed("fit", "i", "Fit it again", "fit_unit"),
)
"""In pairs: what breaks, and what mends it."""

LOG_LINES = 40


class DeedButtons(Grid):
    """A button for each deed; they run the screen's action ``do``."""

    DEFAULT_CSS = """
    DeedButtons { grid-size: 2; grid-gutter: 0 2; height: auto; grid-rows: 1; }
    .-tall DeedButtons { grid-gutter: 1 2; }
    DeedButtons Button { width: 100%; }
    """

    def compose(self) -> ComposeResult:
        """Lay them out in pairs."""
        for deed in DEEDS:
            yield Button(
                f"{deed.words:<14}{deed.key.upper()}",
                id=f"deed-{deed.name}",
                action=f"screen.do('{deed.name}')",
                compact=True,
            )


class WorldState(Static):
    """The parts of the world that somebody's hand can change."""

    def show(self, world: KnownWorld) -> None:
        """Show how they are; what is not as it should be stands out."""
        grid = Table.grid(padding=(0, 1))
        grid.add_column(width=15, no_wrap=True)
        grid.add_column(no_wrap=True)
        for part, state in world.parts.items():
            grid.add_row(Text(part, style="dim"), Text(state, style=_style(state)))
        sensor = "UNPLUGGED" if "sensor-absent" in world.faults else "plugged in"
        grid.add_row(Text("Current sensor", style="dim"), Text(sensor, style=_style(sensor)))
        self.update(grid)


class WorldLog(Static):
    """What came back of what was done, newest first."""

    def show(self, notes: Sequence[Noted]) -> None:
        """Show what the world and the guard said."""
        told = [note for note in notes if note.kind == "world" or note.kind.startswith("trip")]
        if not told:
            self.update(Text("Nothing yet.", style="dim"))
            return
        grid = Table.grid(padding=(0, 1), expand=True)
        grid.add_column(justify="right", no_wrap=True)
        grid.add_column(ratio=1)
        for note in reversed(told[-LOG_LINES:]):
            trip = note.kind.startswith("trip")
            words = Text.assemble(("guard: ", "bold") if trip else "", note.text)
            grid.add_row(Text(f"{note.time_s:.1f} s", style="dim"), words)
        self.update(grid)


def _style(state: str) -> str:
    return "bold reverse" if state[:2].isupper() else ""
