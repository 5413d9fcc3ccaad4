"""The Causes screen: what may be wrong with a suspect unit, and which test to do next."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Button, Static

from rig.bench.commands import Answer
from rig.bench.events import BenchEvent
from rig.bench.requests import DO, END, SKIP
from rig.console.dialogs.message import ChoiceDialog
from rig.console.isolation_rows import (
    HOW,
    Next,
    cause_rows,
    confidence_words,
    done_rows,
    next_of,
    reasons_text,
)
from rig.console.job_state import isolation_state
from rig.console.letters import letter
from rig.console.screen import DeskScreen
from rig.console.widgets.cause_table import CauseTable
from rig.console.widgets.state_line import StateLine


class IsolateScreen(DeskScreen):
    """Ranking on top, reasons and the next test below it, then the tests done."""

    place = "isolate"
    guide = (
        "Find out what is wrong with a suspect unit. On top are the likeliest causes; what speaks "
        "for and against the marked one is below. Beside it is the test that tells most for its "
        "minutes: F9 does it, S skips it, E ends with what is known by then, and asks first. The "
        "feeds are off while it waits. What you are to do at the jig for a test is asked step by "
        "step.\n"
        "T or F3 shows the trace of the test that is on, F3 leads back. F12 takes the feeds off "
        "and breaks it off."
    )
    AUTO_FOCUS = "#causes"
    CSS_PATH = "isolate.tcss"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f9", "choose('do')", "Do it", key_display="F9", tooltip="the test proposed"),
        letter("s", "choose('skip')", "Skip it", "propose another test"),
        letter("e", "choose('end')", "End here", "with what is known by now; asks first"),
        letter("t", "trace", "Trace", "of the test that is on"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.state_line = StateLine()
        self._shown: object = None
        self._next: Next | None = None
        self._asked: object = None
        self._asked_s = float("-inf")

    def body(self) -> ComposeResult:
        """Lay out state, causes, reasons, what is next, and what was done."""
        yield self.state_line
        yield Static(HOW, id="how", markup=False)
        with Vertical(id="isolation"):
            yield Static("", id="causes-title", classes="heading", markup=False)
            yield CauseTable(id="causes")
            with Horizontal(id="lower"):
                with Vertical(id="reasons"):
                    yield Static("", id="marked", classes="heading", markup=False)
                    with VerticalScroll(id="speaks-scroll"):
                        yield Static("", id="speaks", markup=False)
                with Vertical(id="next"):
                    yield Static("", id="next-title", classes="heading", markup=False)
                    with VerticalScroll(id="next-scroll"):
                        yield Static("", id="next-text", markup=False)
                    with Horizontal(id="choices"):
                        for answer, label in (
                            (DO, "Do it  F9"),
                            (SKIP, "Skip  S"),
                            (END, "End  E"),
                        ):
                            action = f"screen.choose('{answer}')"
                            yield Button(label, id=f"choose-{answer}", action=action, compact=True)
            yield Static("Tests", id="done-title", classes="heading", markup=False)
            with VerticalScroll(id="done-scroll"):
                yield Static("", id="done", markup=False)

    # --- what is shown -------------------------------------------------------------------------

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""
        self._shown = None
        self._show()

    def on_news(self, event: BenchEvent) -> None:
        """Show what has changed."""
        self._show()

    def on_frame(self) -> None:
        """Show how the job stands, which changes without news when nothing comes any more."""
        if self.is_running and self.state_line.is_attached:
            self.state_line.show(isolation_state(self.desk))
            self._show()

    def _show(self) -> None:
        live = self.desk.live
        on = (live.step, live.step_on, live.stop_wanted)
        shown = (live.job, live.phase, live.ranked, live.asked, *on)
        if shown == self._shown:
            return
        self._shown = shown
        if live.asked is not self._asked:
            self._asked, self._asked_s = live.asked, events.Event().time
        mine = live.isolation
        self.query_one("#how").display = not mine
        self.query_one("#isolation").display = mine
        self.state_line.show(isolation_state(self.desk))
        if mine:
            self._show_isolation()
        self.refresh_bindings()

    def _show_isolation(self) -> None:
        live = self.desk.live
        self.query_one("#causes-title", Static).update(confidence_words(live.ranked))
        self.query_one(CauseTable).show(cause_rows(live.ranked))
        self.query_one("#done", Static).update("\n".join(done_rows(live)) or "None so far.")
        self.query_one("#done-scroll", VerticalScroll).scroll_end(animate=False)
        self._next = next_of(self.desk)
        self.query_one("#next-title", Static).update(self._next.heading)
        self.query_one("#next-text", Static).update(self._next.text)
        self.query_one("#next-scroll", VerticalScroll).scroll_home(animate=False)
        self.query_one("#choices").display = self._next.ask

    def on_cause_table_marked(self, event: CauseTable.Marked) -> None:
        """Tell what speaks for and against the marked cause."""
        event.stop()
        self.query_one("#marked", Static).update(event.row.says)
        ranked = self.desk.live.ranked
        tested = ranked is not None and any(done.counts for done in ranked.done)
        self.query_one("#speaks", Static).update(reasons_text(event.row, tested=tested))
        self.query_one("#speaks-scroll", VerticalScroll).scroll_home(animate=False)

    # --- actions -------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        live = self.desk.live
        if action == "choose":
            return live.isolation and live.proposed and not live.stop_wanted
        if action == "trace":
            return live.isolation
        return super().check_action(action, parameters)

    def action_choose(self, answer: str) -> None:
        """Answer what is proposed, if it could be read."""
        if not self.desk.live.proposed:
            return
        # A key meant for the question before must not answer the one that has just come.
        if events.Event().time - self._asked_s < self.app.answer_keys.again_after_s:
            self.say("Another test is proposed. Look at it, then choose.")
            return
        if answer == END:
            self._ask_whether_to_end()
        else:
            self._choose(answer)

    def _choose(self, answer: str) -> None:
        self.desk.tell(Answer(answer))
        self._show()

    def _ask_whether_to_end(self) -> None:
        asked = self.desk.live.asked
        left = next_of(self.desk).heading

        def decided(choice: str | None) -> None:
            if choice == END and self.desk.live.asked is asked:
                self._choose(END)

        self.app.push_screen(
            ChoiceDialog(
                "End the isolation here?",
                f"It ends with what is known by now, and what is proposed is not done ({left}). "
                "It cannot be taken up again; another one begins from nothing.",
                (("go_on", "Go on"), (END, "End it")),
            ),
            decided,
        )

    def action_trace(self) -> None:
        """Show the trace."""
        self.app.go("live")
