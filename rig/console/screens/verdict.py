"""The Verdict screen: what came out of a run, why, and what to do now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar
from uuid import UUID

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Static

from rig.bench.events import BenchEvent, RunBegan, RunEnded
from rig.bench.order import ByHandOrder, IsolationOrder, RunOrder
from rig.console.dialogs.note import NoteDialog
from rig.console.dialogs.why import WhyDialog
from rig.console.letters import letter
from rig.console.live_job import Phase
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.run_view import RunView, view_of_live, view_of_record
from rig.console.screen import DeskScreen
from rig.console.verdict_rows import Row
from rig.console.widgets.reason_list import ReasonList
from rig.console.widgets.run_facts import FactLines, FactList, note_line
from rig.console.widgets.run_trace import RunTrace
from rig.console.widgets.verdict_head import VerdictHead
from rig.console.worker_mail import hand_over
from rig.records.model import RunEvent, Source

NO_RUN = (
    "No run has been made since the console was opened.\n\n"
    "Choose unit and plan on Bench (F2) and start: the verdict comes here by itself.\n"
    "An earlier run is opened from Records (F6)."
)
RUN_IS_ON = (
    "A run is on. Its verdict comes here by itself when it is over.\n\n"
    "Watch it on Live (F3), or open an earlier run from Records (F6)."
)

END_NOT_KEPT = (
    "The record of this run has no verdict: its end could not be written. Shown is what the bench "
    "told."
)


class VerdictScreen(DeskScreen):
    """The verdict of the run just made, or of the one told by `show_run`."""

    place = "verdict"
    guide = (
        "What came out of a run. The word at the top is the verdict; under it stands why. Walk "
        "through the reasons with the arrow keys: the trace below is that of the half-turn meant, "
        "marked where it went wrong. “fail” counts against the unit, “retest” is a doubt to be "
        "cleared by another test, “pass” is in order."
    )
    CSS_PATH = "verdict.tcss"
    BINDINGS: ClassVar[list[BindingType]] = [
        letter("n", "note", "Note", "write one into the run's record"),
        letter("w", "why", "Why", "where its time goes, where it binds, motor, feed and fuse"),
        letter("t", "again", "Test again", "the same unit by the same plan"),
        letter("h", "half_turns", "Half-turns", "all of them, or the reasons again"),
        letter("u", "history", "History", "follow this unit over all its runs"),
        letter("p", "sheet", "Sheet", "make it, and print it"),
    ]

    class Loaded(Message):
        """A run was read, or why not; ``asked`` tells which question it answers."""

        def __init__(self, asked: int, view: RunView | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.view = view

    class Printed(Message):
        """What the sheet's printer said."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self) -> None:
        super().__init__()
        self.view: RunView | None = None
        self._run_id: UUID | None = None
        self._told: RunEnded | RunBegan | None = None
        self._is_read = False
        self._asked = 0
        self._turns = False
        self._unreadable = False  # the run is shown as the bench told it, and has no trace
        self._row: Row | None = None  # the one whose sentence and trace are shown
        self._drafts: dict[UUID, str] = {}

    # --- what is shown -------------------------------------------------------------------------

    def body(self) -> ComposeResult:
        """Lay out the verdict, why, the facts, and the trace."""
        yield Static(NO_RUN, id="no-run", markup=False)
        with Vertical(id="told"):
            yield VerdictHead()
            yield Static("", id="trouble", markup=False)
            with Horizontal(id="upper"):
                with Vertical(id="why"):
                    yield Static("", id="sentence", markup=False)
                    yield ReasonList(id="reasons")
                yield FactList(id="fact-list")
            yield RunTrace(id="trace")
            yield FactLines(id="fact-lines")

    def show_run(self, run_id: UUID) -> None:
        """Show this run of the record; may be called before the screen is opened."""
        self._told = self._news()
        self._ask_for(run_id)
        if self.is_current:
            self.show_all()

    def take_in(self) -> None:
        """Show the run just made if it is news; nothing of the one before is left on the screen."""
        news = self._news()
        if self.is_mounted and news is not None and news is not self._told:
            self._told = news
            self._show_news(news)

    def show_all(self) -> None:
        """Show the run just made if it is news, else what was shown before."""
        self.take_in()
        if self._run_id is not None and not self._is_read:
            self._open(self._run_id)
        self.set_class(self.view is not None, "-has-run")
        if self.view is not None:
            self.query_one(ReasonList).focus()
        elif self._run_id is not None:
            self._say_instead("Reading the run.")
        else:
            self._say_instead(RUN_IS_ON if self.desk.live.on else NO_RUN)

    def _say_instead(self, text: str) -> None:
        self.query_one("#no-run", Static).update(text)

    def _news(self) -> RunEnded | RunBegan | None:
        """Return how the last run ended, or that it began if nobody knows how it ended."""
        live = self.desk.live
        return live.began if live.phase is Phase.GONE else live.ended

    def _show_news(self, news: RunEnded | RunBegan) -> None:
        self._turns = False
        view = view_of_live(self.desk.live)
        if view is not None:
            self._show(view)
        if news.run_id is not None:
            self._ask_for(news.run_id)

    def on_news(self, event: BenchEvent) -> None:
        """Show a run that ends while this screen is open."""
        if isinstance(event, RunEnded):
            self.show_all()

    def _ask_for(self, run_id: UUID) -> None:
        if self.view is not None and self.view.run_id != run_id:
            self.view = None
            self._turns = False
        self._run_id = run_id
        self._is_read = False

    def _open(self, run_id: UUID) -> None:
        self._is_read = True
        self._asked += 1
        self._read(self.desk.reading, self._asked, run_id)

    @work(thread=True, group="verdict", exclusive=True)
    def _read(self, reading: RecordsReader, asked: int, run_id: UUID) -> None:
        view = or_sorry(lambda: view_of_record(reading.run(run_id)))
        hand_over(self, self.Loaded(asked, view))

    def on_verdict_screen_loaded(self, event: Loaded) -> None:
        """Show the run as recorded; what the bench told stays if it cannot be read."""
        if event.asked != self._asked:
            return
        if isinstance(event.view, Sorry):
            self._show_as_told(event.view.text)
        elif _lacks_end(event.view, self.view):
            self._show_as_told(END_NOT_KEPT)
        else:
            self._show(event.view)

    def _show_as_told(self, why: str) -> None:
        """Leave what the bench told on the screen, and say why there is no more."""
        self._unreadable = True
        self._trouble(why)
        if self.view is not None and self._row is not None:
            self._show_trace(self.view, self._row)

    def _trouble(self, text: str) -> None:
        self.query_one("#trouble", Static).update(text)
        self.set_class(bool(text), "-trouble")
        if text and self.view is None:
            self._say_instead(f"This run cannot be shown.\n\n{text}")

    def _show(self, view: RunView) -> None:
        self.view = view
        self._unreadable = False
        self._trouble("")
        self.set_class(True, "-has-run")
        self.query_one(VerdictHead).show(view)
        self._show_facts(view)
        self._show_rows(view)
        self.refresh_bindings()

    def _show_facts(self, view: RunView) -> None:
        self.query_one(FactList).show(view)
        self.query_one(FactLines).show(view)

    def _show_rows(self, view: RunView) -> None:
        turns = self._turns or not view.reason_rows
        rows = view.turn_rows if turns else view.reason_rows
        table = self.query_one(ReasonList)
        table.show(rows, turns=turns)
        table.focus()
        self._row = None
        if rows:
            self._tell(view, rows[0])
        else:
            self._say_sentence(view.end_note or "Nothing was measured.", "")
            self.query_one(RunTrace).show_nothing("No half-turn was made.")

    # --- the row under the cursor ----------------------------------------------------------------

    def on_reason_list_chosen(self, event: ReasonList.Chosen) -> None:
        """Tell the row's sentence and fetch its trace; not of a list that is gone by now."""
        row, chosen = event.row, self.query_one(ReasonList).chosen
        if self.view is not None and row is chosen and row is not self._row:
            self._tell(self.view, row)

    def _tell(self, view: RunView, row: Row) -> None:
        self._row = row
        self._say_sentence(row.text, row.next_step)
        self._show_trace(view, row)

    def _show_trace(self, view: RunView, row: Row) -> None:
        trace = self.query_one(RunTrace)
        if self._unreadable:
            trace.show_nothing("No trace: the record of this run cannot be read.")
        elif view.run_id is None or not view.recorded:
            trace.show_nothing("The trace is read from the record.")
        elif view.limits is None:
            trace.show_nothing("The plan of this run cannot be read any more.")
        elif row.passage is None:
            trace.show_nothing("This reason speaks of no trace.")
        else:
            trace.show(view.run_id, row.passage, view.limits, row.reason)

    def _say_sentence(self, text: str, next_step: str) -> None:
        said = Text(text)
        if next_step:
            said.append("\n" if text else "")
            said.append(f"Next: {next_step}", style="bold")
        self.query_one("#sentence", Static).update(said)

    # --- what can be done ------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what needs a run only when there is one."""
        if action == "why":
            return True if self.view is not None and self.view.recorded else None
        if action in ("note", "again", "half_turns", "history", "sheet"):
            return True if self.view is not None else None
        return super().check_action(action, parameters)

    def action_half_turns(self) -> None:
        """Change between the reasons and the half-turns of the run."""
        if self.view is not None:
            self._turns = not self._turns
            self._show_rows(self.view)

    def action_why(self) -> None:
        """Say why the unit is as it is, from the traces of the run."""
        view = self.view
        if view is not None and view.run_id is not None:
            run_id, reading = view.run_id, self.desk.reading
            self.app.push_screen(WhyDialog(view.serial, lambda: reading.why(run_id)))

    def action_note(self) -> None:
        """Write a note into the run's record."""
        view = self.view
        if view is None or view.run_id is None:
            return
        run_id, reading = view.run_id, self.desk.reading

        def closed(result: RunEvent | str | None) -> None:
            if isinstance(result, RunEvent):
                self._drafts.pop(run_id, None)
                self._noted(run_id, result)
            elif result:
                self._drafts[run_id] = result

        self.app.push_screen(
            NoteDialog(
                f"the run of {view.serial}",
                [note_line(note) for note in view.notes],
                self._drafts.get(run_id, ""),
                lambda text: reading.add_note(run_id, text),
            ),
            closed,
        )

    def _noted(self, run_id: UUID, note: RunEvent) -> None:
        self.say("The note is in the record.")
        if self.view is not None and self.view.run_id == run_id:
            self.view = replace(self.view, notes=(*self.view.notes, note))
            self._show_facts(self.view)

    def action_again(self) -> None:
        """Test the same unit again: at once if it is the run just made, else from the bench."""
        view, live = self.view, self.desk.live
        if view is None:
            return
        job, began = live.job, live.began
        just_made = began is not None and view.run_id in (None, began.run_id)
        if just_made and isinstance(job, RunOrder):
            if self.app.begin(job):
                self.app.go(_place_of(job))
            return
        self._fill_in_bench(view)
        self.app.go("bench")

    def _fill_in_bench(self, view: RunView) -> None:
        choices, desk = self.desk.choices, self.desk
        choices.serial, choices.reference = view.serial, view.reference
        if view.source in list(Source):  # a newer program's record may have another
            choices.source = view.source
        if view.plan_name in desk.plans():
            choices.plan = view.plan_name
        if any(station.name == view.station for station in desk.settings.stations):
            choices.station = view.station
        self.say(f"{view.serial} is filled in. Check it, then start.")

    def action_history(self) -> None:
        """Go to the records of this unit."""
        from rig.console.screens.records import RecordsScreen

        if self.view is not None and self.view.run_id is not None:
            records = self.app.get_screen("records", RecordsScreen)
            records.show_unit(self.view.run_id)
            self.app.go("records")

    def action_sheet(self) -> None:
        """Have the run's sheet made, and printed where the rig file says with what."""
        if self.view is not None and self.view.run_id is not None:
            self._print(self.app.print_sheet, self.view.run_id)

    @work(thread=True, group="print")
    def _print(self, printer: Callable[[UUID], str], run_id: UUID) -> None:
        try:
            text = printer(run_id)
        except Exception as error:
            why = str(error).rstrip(".")
            text = f"The sheet could not be printed: {why}. The run itself is safe in the record."
        hand_over(self, self.Printed(text))

    def on_verdict_screen_printed(self, event: Printed) -> None:
        """Tell what the printer said."""
        self.say(event.text)


def _place_of(job: RunOrder) -> str:
    if isinstance(job, IsolationOrder):
        return "isolate"
    return "by_hand" if isinstance(job, ByHandOrder) else "live"


def _lacks_end(recorded: RunView, shown: RunView | None) -> bool:
    """Tell whether the bench told a verdict of the run ``shown`` that its record does not hold."""
    told = shown is not None and not shown.recorded and shown.judgement is not None
    return told and recorded.judgement is None
