"""Runs as lines of a table: newest first, marked, opened with Enter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar
from uuid import UUID

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widgets import DataTable

from rig.analysis.model import Verdict
from rig.records.model import RunSummary

# Column, width in a narrow table, width in a wide one (0: left out).
_COLUMNS = (
    ("started", 18, 18),
    ("unit", 12, 18),
    ("plan", 9, 14),
    ("job/lot", 8, 13),
    ("result", 15, 21),
    ("bench", 5, 9),
    ("operator", 0, 10),
)
_WIDE = 117  # columns: what the wide widths and their gaps take
_STYLES: dict[str, str] = {Verdict.FAIL: "bold", Verdict.RETEST: "italic"}
MARK = "»"


def started(run: RunSummary) -> str:
    """Return when a run began, in this machine's time."""
    return f"{run.started_at.astimezone():%Y-%m-%d %H:%M}"


def world_word(simulated: bool, *, wide: bool) -> str:
    """Return the mark of what is simulated; empty for what is of the real world."""
    if not simulated:
        return ""
    return "SIMULATED" if wide else "SIM"


def _bench(run: RunSummary, *, wide: bool) -> str:
    return f"{world_word(run.simulated, wide=wide and not run.bench)} {run.bench}".strip()


class RunTable(DataTable[Text]):
    """Runs in the order given; `NearEnd` is posted when the cursor comes near the last."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "select_cursor", "Open", key_display="Enter"),
        # Rows have no cells to go to: these keys go to the first and the last of them.
        Binding("home", "scroll_top", "First", show=False),
        Binding("end", "scroll_bottom", "Last", show=False),
    ]
    DEFAULT_CSS = "RunTable { height: 1fr; }"

    class NearEnd(Message):
        """The cursor is within a page of the last run."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(cursor_type="row", id=id)
        self.runs: list[RunSummary] = []
        self._marked: UUID | None = None
        self._wide: bool | None = None

    @property
    def chosen(self) -> RunSummary | None:
        """The run under the cursor."""
        at = self.cursor_row
        return self.runs[at] if 0 <= at < len(self.runs) else None

    def show(self, runs: Sequence[RunSummary], marked: UUID | None) -> None:
        """Show other runs; the cursor stays on the run it was on, if that is still there."""
        before = self.chosen
        self.runs = list(runs)
        self._marked = marked
        self._fill(before)

    def add(self, runs: Iterable[RunSummary]) -> None:
        """Add older runs at the end, those left out that are there already."""
        there = {run.run_id for run in self.runs}
        new = [run for run in runs if run.run_id not in there]
        self.runs.extend(new)
        for run in new:
            self._add_line(run)

    def mark(self, marked: UUID | None) -> None:
        """Mark another run, or none."""
        self._marked = marked
        self._fill(self.chosen)

    def on_resize(self, event: events.Resize) -> None:
        """Use the room there is."""
        if self._wide is not (event.size.width >= _WIDE):
            self._fill(self.chosen)

    def _fill(self, chosen: RunSummary | None) -> None:
        self._wide = self.size.width >= _WIDE
        self.clear(columns=True)
        for name, narrow, wide in _COLUMNS:
            if wide if self._wide else narrow:
                self.add_column(name, width=wide if self._wide else narrow)
        for run in self.runs:
            self._add_line(run)
        if self.runs:
            self.move_cursor(row=self._row_of(chosen))

    def _row_of(self, chosen: RunSummary | None) -> int:
        rows = (k for k, run in enumerate(self.runs) if chosen and run.run_id == chosen.run_id)
        return next(rows, 0)

    def _add_line(self, run: RunSummary) -> None:
        cells = [
            f"{MARK if run.run_id == self._marked else ' '} {started(run)}",
            run.unit_serial,
            run.what,
            run.reference,
            run.came_to,
            _bench(run, wide=bool(self._wide)),
            run.operator,
        ]
        style = _STYLES.get(run.verdict, "") if run.verdict else "dim"
        shown = cells if self._wide else cells[:-1]
        self.add_row(*(Text(cell, style, no_wrap=True, overflow="ellipsis") for cell in shown))

    def on_data_table_row_highlighted(self) -> None:
        """Ask for more when the end is near."""
        if self.runs and self.cursor_row >= len(self.runs) - max(self.size.height, 1):
            self.post_message(self.NearEnd())
