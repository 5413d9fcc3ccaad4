"""The half-turns of a job as they fall: a table, or one line of the last ones."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table
from rich.text import Text
from textual.widgets import Static

from rig.console.turn_rows import TurnRow

NONE_YET = "No half-turn yet."


class TurnList(Static):
    """Shows the last half-turns, the newest first: as many rows as there is room for.

    With one row they stand side by side.  One that did not park stands out.
    """

    DEFAULT_CSS = """
    TurnList { height: 1; padding: 0 1; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.rows: tuple[TurnRow, ...] = ()

    def show(self, rows: Sequence[TurnRow]) -> None:
        """Show ``rows``, the oldest first; cheap if they are shown already."""
        if tuple(rows) != self.rows or not rows:
            self.rows = tuple(rows)
            self._draw()

    def on_resize(self) -> None:
        """Fit to the new size."""
        self._draw()

    def _draw(self) -> None:
        height = self.content_size.height
        if not self.rows:
            self.update(Text(NONE_YET, style="dim"))
        elif height <= 1:
            self.update(self._line())
        else:
            self.update(self._table(height - 1))

    def _line(self) -> Text:
        parts = [_short(row) for row in reversed(self.rows[-8:])]
        return Text("  ·  ").join(parts)

    def _table(self, rows: int) -> Table:
        table = Table.grid(padding=(0, 2))
        for justify in ("right", "left", "right", "left", "right", "right"):
            table.add_column(justify=justify, no_wrap=True)
        heads = ("no.", "way", "time", "outcome", "running", "inrush")
        table.add_row(*(Text(head, style="dim") for head in heads))
        for row in reversed(self.rows[-rows:]):
            table.add_row(
                str(row.number),
                row.way,
                row.time_words,
                _outcome(row),
                "" if row.run_a is None else f"{row.run_a:.2f} A",
                "" if row.peak_a is None else f"{row.peak_a:.1f} A",
            )
        return table


def _short(row: TurnRow) -> Text:
    return Text.assemble(f"{row.number} {row.way} {row.time_words} ", _outcome(row))


def _outcome(row: TurnRow) -> Text:
    return Text(row.outcome) if row.good else Text(f" {row.outcome} ", style="bold reverse")
