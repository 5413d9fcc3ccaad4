"""The causes of an isolation, likeliest first, each with its probability as number and bar."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual import events
from textual.message import Message
from textual.widgets import DataTable

from rig.console.isolation_rows import CauseRow, bar

_LIKELY, _BAR, _WIDE_BAR = 11, 12, 24
_WIDE = 100
_BESIDE = 4  # a space before each column, and the bar to scroll by


class CauseTable(DataTable[Text]):
    """A line a cause; says `Marked` when another one is under the cursor."""

    DEFAULT_CSS = "CauseTable { height: 7; overflow-x: hidden; }"

    class Marked(Message):
        """The cursor stands on ``row``."""

        def __init__(self, row: CauseRow) -> None:
            super().__init__()
            self.row = row

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(cursor_type="row", cell_padding=0, id=id)
        self.rows_shown: tuple[CauseRow, ...] = ()

    @property
    def marked(self) -> CauseRow | None:
        """The cause under the cursor."""
        at = self.cursor_row
        return self.rows_shown[at] if 0 <= at < len(self.rows_shown) else None

    def show(self, rows: Sequence[CauseRow]) -> None:
        """Show ``rows`` if they are others, the likeliest marked."""
        if tuple(rows) != self.rows_shown:
            self._fill(tuple(rows), 0)

    def _fill(self, rows: tuple[CauseRow, ...], marked: int) -> None:
        self.rows_shown = ()  # clearing moves the cursor, which marks nothing
        self.clear(columns=True)
        bar_cells = _WIDE_BAR if self.size.width >= _WIDE else _BAR
        says = max(self.size.width - _LIKELY - bar_cells - _BESIDE, 20)
        for name, width in (("  likely", _LIKELY), ("", bar_cells + 1), ("cause", says)):
            self.add_column(name, width=width)
        self.rows_shown = rows
        for row in rows:
            cells = (f"{row.likely:>10}", bar(row.share, bar_cells), row.says)
            self.add_row(*(Text(cell, no_wrap=True, overflow="ellipsis") for cell in cells))
        if rows:
            self.move_cursor(row=min(marked, len(rows) - 1))
            if self.marked is not None:
                self.post_message(self.Marked(self.marked))

    def on_resize(self, event: events.Resize) -> None:
        """Use the room there is."""
        if self.rows_shown:
            self._fill(self.rows_shown, self.cursor_row)

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        """Say which cause it is now."""
        event.stop()
        if self.marked is not None:
            self.post_message(self.Marked(self.marked))
