"""A note on a run: typed, kept in the record, or told why it could not be kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.message import Message
from textual.widgets import Button, Footer, Input, Static

from rig.console.feeds_off import Dialog
from rig.console.records_reader import Sorry, or_sorry
from rig.console.worker_mail import hand_over
from rig.records.model import RunEvent

LONGEST = 400  # characters: a few sentences (guess)


class NoteDialog(Dialog[RunEvent | str]):
    """Dismissed with the note as kept, or with the text typed so far, not kept.

    ``keep`` writes the note and returns it; it is called in a thread and may raise RecordsError.
    """

    filled_in = True
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Leave", key_display="Esc")]
    CSS = """
    NoteDialog #note-before { height: auto; max-height: 6; color: $text-muted; }
    NoteDialog Input { background: $panel; padding: 0 1; margin: 1 0; }
    NoteDialog Input:focus { background: $primary 25%; }
    NoteDialog #note-trouble { height: auto; color: $error; display: none; }
    NoteDialog.-trouble #note-trouble { display: block; }
    """

    class Written(Message):
        """The note was kept, or why not."""

        def __init__(self, note: RunEvent | Sorry) -> None:
            super().__init__()
            self.note = note

    def __init__(
        self,
        of: str,
        before: Sequence[str],
        draft: str,
        keep: Callable[[str], RunEvent],
        *,
        title: str = "Note on",
        placeholder: str = "what you saw, did, or want remembered",
    ) -> None:
        super().__init__()
        self._title, self._placeholder = title, placeholder
        self._of = of
        self._before = before
        self._draft = draft
        self._keep = keep
        self._writing = False

    def compose(self) -> ComposeResult:
        """Lay out earlier notes, the field, what went wrong, the buttons."""
        with Vertical(classes="dialog"):
            yield Static(f"{self._title} {self._of}", classes="dialog-title", markup=False)
            if self._before:
                with VerticalScroll(id="note-before", can_focus=False):
                    yield Static("\n".join(self._before), markup=False)
            yield Input(
                self._draft,
                placeholder=self._placeholder,
                compact=True,
                max_length=LONGEST,
                select_on_focus=False,
                id="note-text",
            )
            yield Static("", id="note-trouble", markup=False)
            with Horizontal(classes="dialog-choices"):
                yield Button("Keep it (Enter)", id="note-keep", compact=True)
                yield Button("Leave (Esc)", id="note-leave", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    @property
    def text(self) -> str:
        """What is typed."""
        return self.query_one(Input).value.strip()

    def on_input_submitted(self) -> None:
        """Keep the note."""
        self._write()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Keep the note, or leave."""
        if event.button.id == "note-keep":
            self._write()
        else:
            self.action_leave()

    def _write(self) -> None:
        if not self.text:
            self._trouble("Nothing is typed yet. Type the note, or leave with Esc.")
        elif not self._writing:
            self._writing = True
            self._trouble("")
            self._write_in_thread(self.text)

    @work(thread=True)
    def _write_in_thread(self, text: str) -> None:
        hand_over(self, self.Written(or_sorry(lambda: self._keep(text))))

    def on_note_dialog_written(self, event: Written) -> None:
        """Close if it was kept; else say why not, with the text still there."""
        self._writing = False
        if isinstance(event.note, Sorry):
            self._trouble(f"The note is not kept. {event.note.text}")
            self.query_one(Input).focus()
        else:
            self.dismiss(event.note)

    def _trouble(self, text: str) -> None:
        self.query_one("#note-trouble", Static).update(text)
        self.set_class(bool(text), "-trouble")

    def action_leave(self) -> None:
        """Close without keeping anything; what was typed goes back to the asker."""
        self.dismiss(self.text)
