"""The search pane of the records: fields above, the runs found below."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

from textual import work
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Static

from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.search_words import SearchWords, filter_of
from rig.console.widgets.run_table import RunTable
from rig.console.widgets.search_form import SearchForm
from rig.console.worker_mail import hand_over
from rig.records.model import RunFilter, RunsFound

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

PAGE = 100  # runs read at a time: a few screens full
# Typing is searched for when it pauses (s): a key every 0.2 s is a slow typist.
CALM_S = 0.2


class SearchPane(Vertical):
    """Searches while typing; shows page after page as the cursor goes down."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    SearchPane > #found-note { height: auto; max-height: 6; padding: 0 1; color: $text-muted; }
    SearchPane > #nothing-found { display: none; height: 1fr; padding: 1 2; }
    SearchPane.-nothing > #nothing-found { display: block; }
    SearchPane.-nothing > RunTable { display: none; }
    """

    class Found(Message):
        """A page was found, or why not; ``asked`` tells which search it answers."""

        def __init__(self, asked: int, offset: int, found: RunsFound | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.offset = offset
            self.found = found

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked = 0
        self._wanted = RunFilter()
        self._total = 0
        self._reading = False
        self._marked: UUID | None = None
        self._calm: Timer | None = None
        self._to_list = False

    def compose(self) -> ComposeResult:
        """Lay out fields, list and what is said of it."""
        yield SearchForm()
        yield RunTable(id="found")
        yield Static("", id="nothing-found", markup=False)
        yield Static("", id="found-note", markup=False)

    @property
    def table(self) -> RunTable:
        """The list."""
        return self.query_one(RunTable)

    @property
    def has_more(self) -> bool:
        """Tell whether runs match that are not in the list yet."""
        return 0 < len(self.table.runs) < self._total

    def mark(self, marked: UUID | None) -> None:
        """Show which run is marked."""
        self._marked = marked
        self.table.mark(marked)

    def refresh_runs(self) -> None:
        """Search again as the fields stand: a run may have come."""
        self._calm = None
        words = self.query_one(SearchForm).words()
        wanted, troubles = filter_of(words)
        limit = self._loaded() if wanted == self._wanted else PAGE
        self._wanted = wanted
        self.query_one(SearchForm).trouble(troubles)
        self._asked += 1
        self._reading = True
        self._search(self.app.desk.reading, self._asked, wanted, 0, limit)

    def _loaded(self) -> int:
        """Return how many runs are read so that none of those in the list is lost."""
        # Runs that came since push the one under the cursor down.
        return max(PAGE, len(self.table.runs), self.table.cursor_row + PAGE)

    def more(self) -> None:
        """Read the next page."""
        if self.has_more and not self._reading:
            self._reading = True
            reading = self.app.desk.reading
            self._search(reading, self._asked, self._wanted, len(self.table.runs), PAGE)

    @work(thread=True, exclusive=True, group="search")
    def _search(
        self, reading: RecordsReader, asked: int, wanted: RunFilter, offset: int, limit: int
    ) -> None:
        found = or_sorry(lambda: reading.search(wanted, limit=limit, offset=offset))
        hand_over(self, self.Found(asked, offset, found))

    def on_search_pane_found(self, event: Found) -> None:
        """Show what was found, unless something else was asked for since."""
        event.stop()
        if event.asked != self._asked:
            return
        self._reading = False
        if isinstance(event.found, Sorry):
            self._total = 0
            self.table.show((), self._marked)
            self._nothing(event.found.text)
            return
        self._total = event.found.total
        if event.offset:
            self.table.add(event.found.runs)
        else:
            self.table.show(event.found.runs, self._marked)
        self._nothing("" if self.table.runs else self._no_match())
        self._count()
        self._go_on()
        self.screen.refresh_bindings()

    def _go_on(self) -> None:
        """Go to the list if that was asked for and there is one."""
        to_list, self._to_list = self._to_list, False
        if to_list and self.table.runs:
            self.table.focus()

    def _nothing(self, text: str) -> None:
        self.query_one("#nothing-found", Static).update(text)
        self.set_class(bool(text), "-nothing")
        if text:
            self.query_one("#found-note", Static).update("")

    def _no_match(self) -> str:
        if self.query_one(SearchForm).words() == SearchWords():
            return "The records file holds no run yet. Make one on Bench (F2)."
        return "No run matches. Type less, or take a day or the verdict out."

    def _count(self) -> None:
        shown, total = len(self.table.runs), self._total
        if not shown:
            return
        runs = "1 run" if total == 1 else f"{total} runs"
        part = f"the newest {shown} of {runs}; go on down, or press n, for more"
        note = part if shown < total else f"{runs}, newest first"
        self.query_one("#found-note", Static).update(note)

    def on_search_form_typed(self, event: SearchForm.Typed) -> None:
        """Search when the typing pauses."""
        event.stop()
        if self._calm is not None:
            self._calm.stop()
        self._asked += 1  # what is still being read answers an older question
        self._to_list = False
        self._calm = self.set_timer(CALM_S, self.refresh_runs)

    def on_search_form_done(self, event: SearchForm.Done) -> None:
        """Go to the list; a search that still waits for calm is done now."""
        event.stop()
        self._to_list = True
        if self._calm is not None:
            self._calm.stop()
            self._calm = None
            self.refresh_runs()
        elif not self._reading:
            self._go_on()

    def on_run_table_near_end(self, event: RunTable.NearEnd) -> None:
        """Read on."""
        event.stop()
        self.more()
