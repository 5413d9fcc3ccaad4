"""The reasons of a verdict, or a run's half-turns, one a line to walk through."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.message import Message
from textual.widgets import DataTable

from rig.analysis.model import Verdict
from rig.console.verdict_rows import Row

_REASONS = (("says", 6), ("half-turn", 11), ("measure", 18), ("measured", 18), ("allowed", 15))
_TURNS = (("half-turn", 11), ("what it did", 14), ("time", 20), ("step", 25))
_STYLES = {Verdict.FAIL: "bold", Verdict.RETEST: "italic", Verdict.PASS: "", None: ""}


class ReasonList(DataTable[Text]):
    """A line for every `Row`; says `Chosen` when another one is under the cursor."""

    DEFAULT_CSS = "ReasonList { height: 1fr; }"

    class Chosen(Message):
        """The cursor stands on ``row``."""

        def __init__(self, row: Row) -> None:
            super().__init__()
            self.row = row

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(cursor_type="row", id=id)
        self._rows: Sequence[Row] = ()

    @property
    def chosen(self) -> Row | None:
        """The row under the cursor."""
        at = self.cursor_row
        return self._rows[at] if 0 <= at < len(self._rows) else None

    def show(self, rows: Sequence[Row], *, turns: bool) -> None:
        """Show rows: of half-turns (``turns``) or of reasons; the first is chosen."""
        self._rows = ()  # clearing moves the cursor, which chooses nothing
        self.clear(columns=True)
        for name, width in _TURNS if turns else _REASONS:
            self.add_column(name, width=width)
        self._rows = rows
        for row in rows:
            cells = _turn_cells(row) if turns else _reason_cells(row)
            style = _STYLES.get(row.verdict, "")
            self.add_row(*(Text(c, style, no_wrap=True, overflow="ellipsis") for c in cells))
        if rows:
            self.move_cursor(row=0)

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        """Say which row it is now."""
        event.stop()
        if self.chosen is not None:
            self.post_message(self.Chosen(self.chosen))


def _reason_cells(row: Row) -> tuple[str, ...]:
    return row.says, row.half_turn, row.measure, row.measured, row.limit


def _turn_cells(row: Row) -> tuple[str, ...]:
    return row.half_turn, row.measure, row.measured, row.limit
