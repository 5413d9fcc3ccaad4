"""Dialogs that tell something, and let the operator choose what next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Button, Footer, Static

from rig.console.feeds_off import Dialog


class ChoiceDialog(Dialog[str | None]):
    """A title, a text, and buttons (answer, label); dismissed with the answer, None by escape.

    The first choice has the focus: make it the one that does no harm.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Close", key_display="Esc"),
        Binding("left,up", "app.focus_previous", show=False),
        Binding("right,down", "app.focus_next", show=False),
    ]

    dismiss_when_shown = False
    """Set when it has become void while another dialog lay over it."""

    def on_screen_resume(self) -> None:
        """Go away again if nobody needs an answer any more."""
        if self.dismiss_when_shown and self.is_current:
            self.dismiss(None)

    def __init__(self, title: str, text: str, choices: Sequence[tuple[str, str]]) -> None:
        super().__init__()
        self._title = title
        self._text = text
        self._choices = choices

    def compose(self) -> ComposeResult:
        """Lay out title, text and buttons."""
        with Vertical(classes="dialog"):
            yield Static(self._title, classes="dialog-title", markup=False)
            with VerticalScroll(classes="dialog-text", can_focus=False):
                yield Static(self._text, markup=False)
            with Horizontal(classes="dialog-choices"):
                for answer, label in self._choices:
                    yield Button(label, id=f"choice-{answer}", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer with the button's word."""
        self.dismiss((event.button.id or "").removeprefix("choice-"))

    def action_leave(self) -> None:
        """Close without an answer."""
        self.dismiss(None)


class MessageDialog(ChoiceDialog):
    """Tells something that must be seen, and waits for a key."""

    def __init__(self, title: str, text: str) -> None:
        super().__init__(title, text, (("close", "Close"),))
