"""A unit's runs as lines of a table, each with its number and one measured value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar
from uuid import UUID

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.widgets import DataTable

from rig.analysis.model import Verdict
from rig.console.widgets.run_table import MARK, started
from rig.records.model import RunSummary

# Column, width, width where there is room.
_COLUMNS = (
    ("no", 5, 5),
    ("started", 16, 18),
    ("plan", 9, 16),
    ("job/lot", 9, 18),
    ("result", 11, 12),
)
_VALUE_WIDTH = 17
_WIDE = 106


@dataclass(frozen=True)
class HistoryLine:
    """A run, its number in the unit's life, and its value as shown (empty: it has none)."""

    number: int
    run: RunSummary
    value: str


class HistoryTable(DataTable[Text]):
    """Newest first, as the numbers tell."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "select_cursor", "Open", key_display="Enter"),
        # Rows have no cells to go to: these keys go to the first and the last of them.
        Binding("home", "scroll_top", "First", show=False),
        Binding("end", "scroll_bottom", "Last", show=False),
    ]

    def __init__(self) -> None:
        super().__init__(cursor_type="row")
        self._lines: Sequence[HistoryLine] = ()
        self._measure = ""
        self._marked: UUID | None = None
        self._wide = False

    @property
    def chosen(self) -> RunSummary | None:
        """The run under the cursor."""
        at = self.cursor_row
        return self._lines[at].run if 0 <= at < len(self._lines) else None

    def show(self, lines: Sequence[HistoryLine], measure: str, marked: UUID | None) -> None:
        """Show runs with their values of a measure."""
        self._lines, self._measure, self._marked = lines, measure, marked
        self._wide = self.size.width >= _WIDE
        self.clear(columns=True)
        for name, narrow, wide in _COLUMNS:
            self.add_column(name, width=wide if self._wide else narrow)
        self.add_column(_short(measure), width=_VALUE_WIDTH)
        for line in lines:
            self._add_line(line, marked)

    def choose(self, run_id: UUID | None) -> None:
        """Move the cursor to a run, if it is there."""
        at = [k for k, line in enumerate(self._lines) if line.run.run_id == run_id]
        if at:
            self.move_cursor(row=at[0])

    def on_resize(self, event: events.Resize) -> None:
        """Use the room there is."""
        if self._lines and self._wide is not (event.size.width >= _WIDE):
            chosen = self.chosen
            self.show(self._lines, self._measure, self._marked)
            self.choose(chosen.run_id if chosen else None)

    def _add_line(self, line: HistoryLine, marked: UUID | None) -> None:
        run = line.run
        cells = (
            f"{MARK if run.run_id == marked else ' '}{line.number:>3}",
            started(run),
            run.what,
            run.reference,
            run.came_to,
            line.value or "-",
        )
        style = "bold" if run.verdict == Verdict.FAIL else "" if run.verdict else "dim"
        self.add_row(*(Text(cell, style, no_wrap=True, overflow="ellipsis") for cell in cells))


def _short(measure: str) -> str:
    """Return a measure's name as it fits above its column."""
    return measure.replace("half-turn time", "time").replace("resistance", "").strip()[:17]
