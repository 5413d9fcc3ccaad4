"""What two half-turns of the same kind measured, side by side."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widgets import DataTable

from rig.records.compare import Pair, changes

# Column, width, width where there is room.  The narrow ones take 79 columns together: with the bar
# to scroll by, a screen of 80.
_COLUMNS = (
    (" measure", 16, 24),
    ("before", 18, 24),
    ("after", 18, 24),
    ("difference", 19, 26),
    ("", 8, 12),
)
_WIDE = 112


class ChangeTable(DataTable[Text]):
    """A line a measure; `Step` is posted when another pair of half-turns is wanted."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "step(-1)", "Half-turn before", key_display="Left"),
        Binding("right", "step(1)", "Next half-turn", key_display="Right"),
    ]

    class Step(Message):
        """Go ``by`` pairs on."""

        def __init__(self, by: int) -> None:
            super().__init__()
            self.by = by

    def __init__(self) -> None:
        super().__init__(cursor_type="row", cell_padding=0)
        self._pair: Pair | None = None
        self._wide = False

    def show(self, pair: Pair) -> None:
        """Show a pair's measures."""
        self._pair = pair
        self._wide = self.size.width >= _WIDE
        self.clear(columns=True)
        for name, narrow, wide in _COLUMNS:
            self.add_column(name, width=wide if self._wide else narrow)
        for change in changes(pair):
            style = "bold" if change.verdict in ("changed", "another") else ""
            cells = (
                f" {change.name}",
                change.before,
                change.after,
                change.difference,
                change.verdict,
            )
            self.add_row(*(Text(cell, style, no_wrap=True, overflow="ellipsis") for cell in cells))

    def on_resize(self, event: events.Resize) -> None:
        """Use the room there is."""
        if self._pair is not None and self._wide is not (event.size.width >= _WIDE):
            self.show(self._pair)

    def action_step(self, by: int) -> None:
        """Ask for another pair."""
        self.post_message(self.Step(by))
