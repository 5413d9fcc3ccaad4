"""What the bench asks somebody at the jig: cautions, something to look at, something to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.table import Table
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.timer import Timer
from textual.widgets import Button, Footer, Input, Static

from rig.bench.commands import Note
from rig.bench.events import Asked
from rig.console.desk import Desk
from rig.console.dialogs.message import MessageDialog
from rig.console.dialogs.question_words import Asking, asking_of
from rig.console.feeds_off import Dialog
from rig.console.feeds_words import feeds_of
from rig.console.job_state import stop_key
from rig.console.letters import letter
from rig.console.scanner import SCANNER_S
from rig.console.widgets.field import Field
from rig.console.widgets.too_small import SMALLEST, is_large_enough
from rig.labels import NOTE_LONGEST, trouble_with

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

FEEDS_SHOWN_S = 0.1

TO_NOTE = "to the note"  # is no answer, but a key as those are
# Answer -> its key, what footer and button call it.
_ANSWERS: dict[str, tuple[str, str]] = {
    "accepted": ("a", "Accept"),
    "refused": ("r", "Refuse"),
    "ok": ("o", "In order"),
    "fault": ("f", "Fault"),
    "low": ("l", "Low"),
    "done": ("d", "Done"),
    "cannot": ("c", "Cannot"),
    "yes": ("y", "Yes"),
    "no": ("n", "No"),
}


class AskDialog(Dialog[str | None]):
    """One question of the bench; dismissed with the answer, None if it need not be answered.

    ``dismiss_when_shown``: the question became void under another dialog; it then goes by itself.
    """

    app: HalfturnConsole

    dismiss_when_shown = False

    CSS_PATH = "ask.tcss"
    AUTO_FOCUS = "#ask-text"
    BINDINGS: ClassVar[list[BindingType]] = [
        *(letter(key, f"answer('{answer}')", name) for answer, (key, name) in _ANSWERS.items()),
        letter("n", "note", "Note"),
        Binding("space", "more", "Read on", key_display="Space"),
        Binding("escape", "leave_note", "Back to the answers", key_display="Esc"),
        Binding("escape", "remind", "Not yet", show=False),
        Binding("f1", "help", "Help", key_display="F1"),
    ]

    def __init__(self, asked: Asked, desk: Desk) -> None:
        super().__init__()
        self._allowed = asked.ask.allowed or ("done",)
        self._asking: Asking = asking_of(asked, desk.live)
        self.desk = desk
        self._end_seen = not self._asking.to_the_end
        self._stray_s = float("-inf")
        self._letter, self._letter_s = "", float("-inf")  # the last one typed outside the note
        self._answering: tuple[str, Timer] | None = None
        self._shown_s = float("inf")

    # --- layout --------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """Lay out what is asked, what to know, the note and the answers."""
        asking = self._asking
        with Vertical(classes="dialog ask"):
            with Horizontal(id="ask-head"):
                yield Static(Text(asking.title, no_wrap=True, overflow="ellipsis"), id="ask-title")
                yield Static("", id="ask-feeds", markup=False)
            if not asking.to_the_end:
                yield Static(asking.question, id="ask-question", markup=False)
            with VerticalScroll(id="ask-text"):
                yield Static(_table(asking))
            yield Static(asking.seen, id="ask-seen", markup=False)
            if asking.to_the_end:
                yield Static(asking.question, id="ask-question", markup=False)
            if asking.note_of:
                note = Input(placeholder="for the record, if you like", compact=True, id="note")
                yield Field("Note", note, id="ask-note")
            yield Static("", id="ask-hint", markup=False)
            with Horizontal(id="ask-answers"):
                for answer in self._allowed:
                    key, name = self._key_and_name(answer)
                    yield Button(
                        f"{name}  {key.upper()}".rstrip(),
                        id=f"answer-{answer}",
                        action=f"screen.answer('{answer}')",
                    )
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        """Show the feeds, and watch whether the end of the text has been shown."""
        self._shown_s = events.Event().time
        self.query_one("#ask-seen").display = bool(self._asking.seen)
        self.set_class(self._asking.to_the_end, "-to-the-end")
        self._show_feeds()
        self.set_interval(FEEDS_SHOWN_S, self._show_feeds)
        if self._asking.to_the_end:
            self._show_gate()
            text = self.query_one("#ask-text", VerticalScroll)
            self.watch(text, "scroll_y", self._look_for_the_end, init=False)
            self.call_after_refresh(self._look_for_the_end)

    def on_screen_resume(self) -> None:
        """Go away if nobody needs the answer any more."""
        # The word that it is shown may come late, with another dialog on top by now.
        if self.dismiss_when_shown and self.is_current:
            self.dismiss(None)

    def on_resize(self) -> None:
        """A larger terminal may show all of it."""
        if self._asking.to_the_end:
            self._show_gate()
            self.call_after_refresh(self._look_for_the_end)

    # --- what is shown -------------------------------------------------------------------------

    def _show_feeds(self) -> None:
        feeds, on, doubt = feeds_of(self.desk)
        line = self.query_one("#ask-feeds", Static)
        whose = f"{self.desk.choices.station}: " if self.app.desks.several else ""
        words = "feeds are off" if feeds == "feeds off" else f"{feeds}: hands off"
        line.update(f"{whose}{words}")
        line.set_class(on or doubt, "-on")

    def _look_for_the_end(self, _: float = 0.0) -> None:
        text = self.query_one("#ask-text", VerticalScroll)
        if not self._end_seen and text.size.height and text.scroll_y >= text.max_scroll_y - 0.5:
            self._end_seen = True
            self._show_gate()

    def _show_gate(self) -> None:
        self.query_one("#answer-accepted", Button).disabled = not self._may_accept
        reading = "" if self._end_seen else "Read to the end first: Space or the down key."
        larger = f"Make this terminal larger first: {SMALLEST.width} by {SMALLEST.height} at least."
        self._hint(reading if is_large_enough(self.size) else larger)
        self.refresh_bindings()

    @property
    def _may_accept(self) -> bool:
        """Tell whether the end was shown, and what comes after accepting could be seen."""
        return self._end_seen and is_large_enough(self.size)

    def _hint(self, text: str) -> None:
        self.query_one("#ask-hint", Static).update(text)

    # --- keys ----------------------------------------------------------------------------------

    def on_key(self, event: events.Key) -> None:
        """Note that more is typed than one of our keys: a scanner."""
        # A key's action comes later than this, often than this for the keys after it.
        ours = event.key in self._bindings.key_to_bindings
        key, in_note = event.key.lower(), isinstance(self.focused, Input)
        at_once = self._answering is not None or event.time - self._letter_s < SCANNER_S
        follows = at_once and self._letter not in ("", key)
        if event.is_printable:
            stray = follows or not ours
        else:
            stray = follows and key == "enter" and not in_note
        if stray:
            self._stray()
        if event.is_printable and len(key) == 1:
            self._letter, self._letter_s = key, event.time
        elif key == "escape" or in_note:
            self._letter = ""

    def _stray(self) -> None:
        self._stray_s = events.Event().time
        self._do_not_answer()

    def _do_not_answer(self) -> None:
        """Take back an answer that turns out to be the beginning of a scanned label."""
        if self._answering is not None:
            self._answering[1].stop()
            self._answering = None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what answers this question; accepting only after the end was shown."""
        match action:
            case "answer":
                if parameters[0] not in self._allowed:
                    return False
                return None if parameters[0] == "accepted" and not self._may_accept else True
            case "note":
                return bool(self._asking.note_of)
            case "leave_note" | "remind":
                return isinstance(self.focused, Input) is (action == "leave_note")
            case "more":
                return self._asking.to_the_end
        return super().check_action(action, parameters)

    def action_answer(self, answer: str) -> None:
        """Answer in a moment, unless more is typed: a scanned label answers nothing."""
        now_s = events.Event().time
        keys = self.app.answer_keys
        held = keys.is_held(answer, now_s)
        if self._answering is not None and self._answering[0] == answer:
            return  # pressed twice, or held: this one answer will do
        if held or now_s - self._shown_s < keys.again_after_s:
            self._hint("Let go of the key, look, then answer.")
            self._do_not_answer()
        elif self._answering is not None or now_s - self._stray_s < SCANNER_S:
            self._stray()
        else:
            self._answer_in_a_moment(answer)

    def _answer_in_a_moment(self, answer: str) -> None:
        due_s = events.Event().time + SCANNER_S
        self._answering = answer, self.set_timer(SCANNER_S, lambda: self._answer(answer, due_s))

    def _answer(self, answer: str, due_s: float) -> None:
        """Send the note, if there is one, and answer; or go to the note."""
        if events.Event().time - due_s > SCANNER_S:
            # The program was busy: the rest of a label may still wait to be dealt with.
            self._answer_in_a_moment(answer)
            return
        self._answering = None
        if answer == TO_NOTE:
            self.query_one("#note", Input).focus()
        elif self._send_note():
            self.dismiss(answer)

    def _send_note(self) -> bool:
        """Send what was noted; False if it cannot be kept as it is."""
        if not self._asking.note_of:
            return True
        note = self.query_one("#note", Input)
        text = note.value.strip()
        trouble = trouble_with(text, NOTE_LONGEST)
        if trouble:
            self.query_one("#ask-note", Field).trouble(f"The note {trouble}")
            note.focus()
            return False
        if text:
            self.desk.tell(Note(f"{self._asking.note_of}: {text}"))
        return True

    def action_note(self) -> None:
        """Go to the note in a moment, unless this is a letter of a scanned label."""
        if self._answering is not None and self._answering[0] == TO_NOTE:
            return
        if self._answering is not None or events.Event().time - self._stray_s < SCANNER_S:
            self._stray()
        else:
            self._answer_in_a_moment(TO_NOTE)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Leave the note; the answer is given by its own key."""
        event.stop()
        self.query_one("#ask-text").focus()

    def action_more(self) -> None:
        """Scroll the text on."""
        text = self.query_one("#ask-text", VerticalScroll)
        # At once: two presses before the next refresh are two pages.
        text.scroll_relative(y=text.size.height - 1, animate=False, immediate=True)

    def action_leave_note(self) -> None:
        """Go back to where the answers' keys work."""
        self.query_one("#ask-text").focus()

    def action_help(self) -> None:
        """Tell the keys of this question, and that the run waits for its answer."""
        answers = map(self._key_and_name, self._allowed)
        keys = [f"{key.upper():<6} {name}" for key, name in answers if key]
        if self._asking.note_of:
            keys.append("N      Note, for the record; Esc leads back to the answers")
        if self._asking.to_the_end:
            keys.append("Space  Read on: it can be accepted when its end was shown")
        if self.app.desks.several:
            keys.append("^E     Stop this station alone: ends its job")
            keys.append("^N     To the next station; this waits and comes up again when you return")
            keys.append("F10    To all stations; this waits until you choose or open its station")
        jobs = "the jobs of all stations" if self.app.desks.several else "the job"
        keys.append(f"F12    Feeds off: ends {jobs}")
        text = "The bench waits for the answer.\n\n" + "\n".join(keys)
        self.app.push_screen(MessageDialog("Help: a question", text))

    def _key_and_name(self, answer: str) -> tuple[str, str]:
        key, name = _ANSWERS.get(answer, ("", answer))
        return key, self._asking.cannot if answer == "cannot" else name

    def action_remind(self) -> None:
        """Say that this waits for an answer."""
        key = stop_key(self.desk.live)
        self._hint(f"This waits for an answer. {key} takes the feeds off, ends the job.")


def _table(asking: Asking) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    width = max((len(heading) for heading, _ in asking.paragraphs), default=0)
    grid.add_column(width=min(width, 14), no_wrap=True)
    grid.add_column(ratio=1)
    last = len(asking.paragraphs) - 1
    for number, (heading, text) in enumerate(asking.paragraphs):
        grid.add_row(Text(heading, style="bold"), Text(text))
        if number < last:
            grid.add_row("", "")
    return grid
