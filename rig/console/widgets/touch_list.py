"""The touches of a unit worked by hand, each with its half-turns."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.widgets import Static

from rig.console.turn_rows import TouchRow, TurnRow

NONE_YET = "No touch yet. A touch is over when the feeds have been off for 2 s."


class TouchList(Static):
    """Shows the last touches, the newest first, a row each."""

    DEFAULT_CSS = """
    TouchList { height: 1; padding: 0 1; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.rows: tuple[TouchRow, ...] = ()

    def show(self, rows: Sequence[TouchRow]) -> None:
        """Show ``rows``, the oldest first; cheap if they are shown already."""
        if tuple(rows) != self.rows or not rows:
            self.rows = tuple(rows)
            self._draw()

    def on_resize(self) -> None:
        """Fit to the new size."""
        self._draw()

    def _draw(self) -> None:
        height = max(1, self.content_size.height)
        shown = [_row(row) for row in reversed(self.rows[-height:])]
        text = Text("\n").join(shown) if shown else Text(NONE_YET, style="dim")
        self.update(text)


def _row(row: TouchRow) -> Text:
    text = Text.assemble((f"touch {row.number}  ", "bold"))
    text.append_text(Text(", ").join(map(_turn, row.turns)) if row.turns else Text("no half-turn"))
    if row.cut_short:
        text.append(", ").append(" cut short ", style="bold reverse")
    return text


def _turn(turn: TurnRow) -> Text:
    outcome = Text(turn.outcome) if turn.good else Text(f" {turn.outcome} ", style="bold reverse")
    if turn.half_turn_s is None:
        return Text.assemble(f"{turn.way} ", outcome)
    return Text.assemble(f"{turn.way} {turn.time_words} ", outcome)
