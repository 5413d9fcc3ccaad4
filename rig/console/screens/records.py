"""The Records screen: find runs, follow a unit, lay two runs over each other."""

from __future__ import annotations

from typing import ClassVar
from uuid import UUID

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import ContentSwitcher, DataTable, Input, Static

from rig.bench.events import BenchEvent, RunEnded
from rig.console.dialogs.why import WhyDialog
from rig.console.letters import letter
from rig.console.screen import DeskScreen
from rig.console.screens.history import HistoryPane
from rig.console.screens.overlay import OverlayPane
from rig.console.screens.search import SearchPane
from rig.console.screens.verdict import VerdictScreen
from rig.console.widgets.history_table import HistoryTable
from rig.console.widgets.run_table import MARK, RunTable, started
from rig.console.widgets.search_form import SearchForm
from rig.records.model import RunSummary

# On which pane an action is there.
_WHERE = {
    "unit": ("search",),
    "why": ("search", "history"),
    "mark": ("search", "history"),
    "lay_over": ("search", "history"),
    "more": ("search",),
    "fields": ("search",),
    "clear": ("search",),
    "lots": ("search",),
    "lots_from_field": ("search",),
    "next_measure": ("history",),
    "back": ("history", "overlay"),
}


class RecordsScreen(DeskScreen):
    """Three panes: the search, a unit's history, two runs laid over each other."""

    place = "records"
    guide = (
        "Every run is here from its start on. Type part of a serial number, job or lot, or a day; "
        "the list follows. Enter opens a run's verdict, U follows its unit over all its runs. To "
        "lay two runs over each other, mark one with M, go to the other, and press O. L leads to "
        "the lots, deliveries judged by a sample; so does ctrl+L from a field. Esc goes back, / "
        "goes to the fields."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        letter("u", "unit", "Unit", "follow the unit over all its runs"),
        letter("w", "why", "Why", "the unit of the run is as it is", show=False),
        letter("v", "next_measure", "Next measure", "of the trend"),
        letter("m", "mark", "Mark", "this run, to compare another with it"),
        letter("o", "lay_over", "Lay over", "this run over the marked one"),
        letter("n", "more", "More", "read older runs"),
        letter("l", "lots", "Lots", "deliveries, judged by a sample"),
        Binding(
            "ctrl+l", "lots_from_field", "Lots", key_display="^L", tooltip="the same from a field"
        ),
        Binding("slash", "fields", "Fields", key_display="/", tooltip="go to what is searched for"),
        letter("c", "clear", "Clear fields", "search for nothing in particular", show=False),
        Binding("escape", "back", "Back", key_display="Esc", tooltip="to where this came from"),
    ]
    DEFAULT_CSS = """
    RecordsScreen #panes { height: 1fr; }
    RecordsScreen #panes > * { height: 1fr; }
    RecordsScreen #marked-note { height: 1; padding: 0 1; display: none; }
    RecordsScreen.-marked #marked-note { display: block; }
    RecordsScreen.-marked.-laid #marked-note { display: none; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._marked: RunSummary | None = None
        self._unit_asked: UUID | None = None
        self._back_to = "search"

    # --- what is shown -------------------------------------------------------------------------

    def body(self) -> ComposeResult:
        """Lay the panes out over each other."""
        with Vertical():
            with ContentSwitcher(initial="search", id="panes"):
                yield SearchPane(id="search")
                yield HistoryPane(id="history")
                yield OverlayPane(id="overlay-pane")
            yield Static("", id="marked-note", markup=False)

    @property
    def pane(self) -> str:
        """The pane that is shown."""
        return str(self.query_one(ContentSwitcher).current).removesuffix("-pane")

    def show_unit(self, run_id: UUID) -> None:
        """Show the history of the unit of a run; may be called before the screen is opened."""
        self._unit_asked = run_id
        if self.is_current:
            self.show_all()

    def show_all(self) -> None:
        """Show what was asked for from elsewhere, else what was shown, as it is now."""
        run_id, self._unit_asked = self._unit_asked, None
        if run_id is not None:
            self._open_history(run_id)
        elif self.pane == "history":
            self.query_one(HistoryPane).read_again()
        elif self.pane == "search":
            self.query_one(SearchPane).refresh_runs()
            if self.focused is None:
                self.query_one(RunTable).focus()

    def on_news(self, event: BenchEvent) -> None:
        """Have a run that has just ended in the list."""
        if isinstance(event, RunEnded) and self.pane == "search":
            self.query_one(SearchPane).refresh_runs()

    def _switch(self, pane: str) -> None:
        name = "overlay-pane" if pane == "overlay" else pane
        self.query_one(ContentSwitcher).current = name
        self.set_class(pane == "overlay", "-laid")
        self.query_one(f"#{name}").query_one(DataTable).focus()
        self.refresh_bindings()

    @property
    def _chosen(self) -> RunSummary | None:
        if self.pane == "search":
            return self.query_one(RunTable).chosen
        return self.query_one(HistoryTable).chosen

    # --- what can be done ------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what the pane has; letters belong to a field while it has the focus."""
        if action not in _WHERE:
            return super().check_action(action, parameters)
        if not self.is_mounted or self.pane not in _WHERE[action]:
            return False
        in_field = isinstance(self.focused, Input)
        if action == "lots_from_field":
            return in_field
        if in_field and action != "back":
            return False
        if action == "more":
            return self.query_one(SearchPane).has_more
        if action in ("unit", "why", "mark", "lay_over"):
            return True if self._chosen is not None else None
        return True

    def on_data_table_row_highlighted(self) -> None:
        """Offer what can be done with a run as soon as there is one under the cursor."""
        self.refresh_bindings()

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        """Open the verdict of the run under the cursor."""
        event.stop()
        if self.pane != "overlay" and self._chosen is not None:
            verdict = self.app.get_screen(self.app.named("verdict"), VerdictScreen)
            verdict.show_run(self._chosen.run_id)
            self.app.go("verdict")

    def scanned(self, label: str) -> None:
        """Search for the unit that was scanned."""
        if self.pane != "search":
            self._switch("search")
        self.query_one(SearchForm).look_for_unit(label)
        self.query_one(RunTable).focus()

    def action_unit(self) -> None:
        """Follow the unit of the run under the cursor."""
        if self._chosen is not None:
            self._open_history(self._chosen.run_id)

    def action_why(self) -> None:
        """Say why the unit of the run under the cursor is as it is."""
        chosen = self._chosen
        if chosen is not None:
            run_id, reading = chosen.run_id, self.desk.reading
            self.app.push_screen(WhyDialog(chosen.unit_serial, lambda: reading.why(run_id)))

    def _open_history(self, run_id: UUID) -> None:
        self.query_one(HistoryPane).open(run_id)
        self._switch("history")

    def action_next_measure(self) -> None:
        """Follow the next measure of the history."""
        self.query_one(HistoryPane).next_measure()

    def action_mark(self) -> None:
        """Mark the run under the cursor as the one to compare with, or take the mark away."""
        chosen = self._chosen
        if chosen is None:
            return
        same = self._marked is not None and self._marked.run_id == chosen.run_id
        self._marked = None if same else chosen
        run_id = self._marked.run_id if self._marked else None
        self.query_one(SearchPane).mark(run_id)
        self.query_one(HistoryPane).mark(run_id)
        self.set_class(self._marked is not None, "-marked")
        if self._marked is not None:
            what = f"{chosen.unit_serial} of {started(chosen)}, {chosen.came_to}"
            note = Text(f"{MARK} marked: {what}. Go to another, press O.", "bold")
            note.no_wrap, note.overflow = True, "ellipsis"
            self.query_one("#marked-note", Static).update(note)

    def action_lay_over(self) -> None:
        """Lay the run under the cursor over the marked one."""
        chosen, marked = self._chosen, self._marked
        if chosen is None:
            return
        if marked is None:
            self.say("Mark the first run with M, then go to the other and press O.")
        elif marked.run_id == chosen.run_id:
            self.say("This is the marked run itself. Go to the other one and press O.")
        else:
            self._back_to = self.pane
            self.query_one(OverlayPane).open(marked.run_id, chosen.run_id)
            self._switch("overlay")

    def action_more(self) -> None:
        """Read older runs."""
        self.query_one(SearchPane).more()

    def action_fields(self) -> None:
        """Go to the search fields."""
        self.query_one(SearchForm).query(Input).first().focus()

    def action_clear(self) -> None:
        """Empty the search fields."""
        self.query_one(SearchForm).clear()

    def action_lots(self) -> None:
        """Go to the lots."""
        self.app.go("lots")

    action_lots_from_field = action_lots

    def action_back(self) -> None:
        """Go back to where this pane was opened from."""
        to = self._back_to if self.pane == "overlay" else "search"
        self._back_to = "search"
        self._switch(to)
        if to == "search":
            self.query_one(SearchPane).refresh_runs()
