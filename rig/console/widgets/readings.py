"""The station's readings with the feeds off, and its sensor's zero against the rig file."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from rig.console.rig_facts import ZeroWords
from rig.console.rig_readings import NOT_READ, Row
from rig.console.rig_state import NOT_READ_BACK, NOT_WIRED


class Readings(Vertical):
    """Shows `Row`s, and under them a zero if one was found."""

    DEFAULT_CSS = """
    Readings { height: auto; }
    Readings Vertical { height: auto; }
    Readings .heading { text-style: bold; color: $primary; height: 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.rows: tuple[Row, ...] | None = None
        self.zero: ZeroWords | str = ""

    def compose(self) -> ComposeResult:
        """Lay out both parts."""
        with Vertical(id="reading-part"):
            yield Static("Readings, feeds off", classes="heading", markup=False)
            yield Static("", id="reading-rows")
        with Vertical(id="zero-part"):
            yield Static("Zero of the current sensor", classes="heading", markup=False)
            yield Static("", id="zero", markup=False)

    def show(self, rows: tuple[Row, ...]) -> None:
        """Show the readings; cheap if they are shown already."""
        if rows == self.rows:
            return
        # Laying the screen out anew costs ten times the drawing, and only the words have changed.
        as_many = self.rows is not None and len(rows) == len(self.rows)
        self.rows = rows
        grid = Table.grid(padding=(0, 1))
        grid.add_column(width=15, no_wrap=True)
        grid.add_column(no_wrap=True)
        for row in rows:
            grid.add_row(Text(row.name, style="dim"), _word(row))
        self.query_one("#reading-rows", Static).update(grid, layout=not as_many)

    def show_zero(self, zero: ZeroWords | str) -> None:
        """Show a zero, or the sentence that there is none."""
        if zero == self.zero:
            return
        self.zero = zero
        self.query_one("#zero", Static).update(zero if isinstance(zero, str) else _zero(zero))


def _word(row: Row) -> Text:
    if row.alert:
        return Text.assemble((f" {row.word} ", "bold reverse"))
    return Text(
        row.word, style="dim" if row.word in (NOT_READ, NOT_READ_BACK, NOT_WIRED) else "bold"
    )


def _zero(zero: ZeroWords) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=12, no_wrap=True)
    grid.add_column(ratio=1)
    for name, value in (
        ("Found", zero.found),
        ("Noise", zero.noise),
        ("In rig file", zero.in_file),
    ):
        grid.add_row(Text(name, style="dim"), Text(value, style="bold"))
    whole = Table.grid(expand=True)
    whole.add_column(ratio=1)
    whole.add_row(grid)
    whole.add_row(Text(zero.advice))
    if zero.line:
        whole.add_row(Text(f"   {zero.line}", style="bold"))
        whole.add_row(Text(zero.where))
    return whole
