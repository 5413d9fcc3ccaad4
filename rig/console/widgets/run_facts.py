"""What a run was: whose unit, which plan, when, how it ended, what was noted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from rig.console.run_view import RunView, fact_lines, facts
from rig.records.model import RunEvent


def note_line(note: RunEvent) -> str:
    """Return a note with when it was written."""
    return f"{_minute(note.at)} {note.text}"


def _minute(when: datetime) -> str:
    return f"{when.astimezone():%Y-%m-%d %H:%M}"


class FactList(VerticalScroll, can_focus=False):
    """Every fact by name, one under the other."""

    DEFAULT_CSS = """
    FactList { padding: 0 1; border-left: solid $panel; scrollbar-size-vertical: 1; }
    """

    def compose(self) -> ComposeResult:
        """Lay the list out."""
        yield Static("", markup=False)

    def show(self, view: RunView) -> None:
        """Show the facts and notes of a run."""
        table = Table.grid(padding=(0, 1))
        table.add_column(style="dim", no_wrap=True)
        table.add_column()
        for name, value in facts(view):
            table.add_row(name, Text(value))
        for note in view.notes:
            table.add_row("Note", Text(note_line(note)))
        self.query_one(Static).update(table)


class FactLines(Static):
    """The facts that matter in two lines, a third for the notes if there are any."""

    DEFAULT_CSS = """
    FactLines { height: auto; max-height: 3; padding: 0 1; color: $text-muted; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", markup=False, id=id)

    def show(self, view: RunView) -> None:
        """Show the facts and the newest note of a run."""
        lines = [*fact_lines(view), *_note_lines(view.notes)]
        self.update(Text("\n".join(lines), no_wrap=True, overflow="ellipsis"))


def _note_lines(notes: Sequence[RunEvent]) -> list[str]:
    if not notes:
        return []
    word = "Note" if len(notes) == 1 else f"{len(notes)} notes, newest"
    return [f"{word} {note_line(notes[-1])}"]
