"""The trace of a passage of a recorded run, read in a thread, under its title."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.message import Message
from textual.widgets import Static

from rig.analysis.model import Limits, Reason
from rig.console.passage import Passage
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.trace_picture import Picture, picture
from rig.console.widgets.trace import TraceView
from rig.console.worker_mail import hand_over

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

# Going down a list with a held key must not read a trace for every line (s).
CALM_S = 0.06


class RunTrace(Vertical):
    """Shows one passage after another; only the one asked for last is drawn."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    RunTrace { height: 1fr; padding: 0 1; }
    RunTrace > Static { height: 1; color: $text-muted; }
    """

    class Pictured(Message):
        """A trace was read, or why not; ``asked`` tells which question it answers."""

        def __init__(self, asked: int, made: Picture | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.made = made

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked = 0
        self._run_id: UUID | None = None

    def compose(self) -> ComposeResult:
        """Lay out title and trace."""
        yield Static("", markup=False)
        yield TraceView()

    def show_nothing(self, why: str) -> None:
        """Say why there is no trace."""
        self._asked += 1
        self._run_id = None
        self._draw(Picture("", nothing=why))

    def show(self, run_id: UUID, passage: Passage, limits: Limits, reason: Reason | None) -> None:
        """Fetch a passage's trace and draw it, marked by ``reason``."""
        if run_id != self._run_id:
            self.show_nothing("Reading the trace.")  # and no longer the one of another run
        self._run_id = run_id
        self._asked += 1
        asked = self._asked
        self.set_timer(CALM_S, lambda: self._fetch(asked, run_id, passage, limits, reason))

    def _fetch(
        self, asked: int, run_id: UUID, passage: Passage, limits: Limits, reason: Reason | None
    ) -> None:
        if asked == self._asked:
            self._read(self.app.desk.reading, asked, run_id, passage, limits, reason)

    @work(thread=True, exclusive=True)
    def _read(
        self,
        reading: RecordsReader,
        asked: int,
        run_id: UUID,
        passage: Passage,
        limits: Limits,
        reason: Reason | None,
    ) -> None:
        made = or_sorry(
            lambda: picture(passage, reading.trace(run_id, passage.step), limits, reason)
        )
        hand_over(self, self.Pictured(asked, made))

    def on_run_trace_pictured(self, event: Pictured) -> None:
        """Draw the trace unless another was asked for since."""
        event.stop()
        if event.asked == self._asked:
            made = event.made
            self._draw(Picture("", nothing=made.text) if isinstance(made, Sorry) else made)

    def _draw(self, made: Picture) -> None:
        title = Text(made.title, no_wrap=True, overflow="ellipsis")
        self.query_one(Static).update(title)
        trace = self.query_one(TraceView)
        trace.reset_range()
        if made.nothing or made.window is None:
            trace.show_nothing(made.nothing)
        else:
            trace.show(made.series, made.limits, made.window, made.marks)
