"""What a meter showed: typed in, with all its digits."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Footer, Input, Static

from rig.bench.events import Asked
from rig.console.desk import Desk
from rig.console.dialogs.question_words import at_station
from rig.console.feeds_off import Dialog

AGAIN, CANNOT = "again", "cannot"


class ReadingDialog(Dialog[str | None]):
    """A question of the bench that is answered with a number; None if it need not be answered."""

    dismiss_when_shown = False
    AUTO_FOCUS = "#meter"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "remind", "Not yet", show=False),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]
    CSS = """
    ReadingDialog #meter-seen { height: auto; margin-top: 1; color: $warning; text-style: italic; }
    ReadingDialog Input { background: $panel; padding: 0 1; margin-top: 1; }
    ReadingDialog Input:focus { background: $primary 25%; }
    ReadingDialog #meter-hint { height: auto; min-height: 1; color: $warning; }
    """

    def __init__(self, asked: Asked, desk: Desk) -> None:
        super().__init__()
        self._asked = asked
        self.desk = desk
        title = "Feeds are off: read the meter"
        self._title = " · ".join(filter(None, (at_station(desk.live.job), title)))

    def compose(self) -> ComposeResult:
        """Lay out what is asked, the field and the ways out."""
        seen = self._asked.seen
        with Vertical(classes="dialog"):
            yield Static(self._title, classes="dialog-title", markup=False)
            yield Static(self._asked.ask.text, markup=False)
            if seen:
                yield Static(f"The simulated meter showed {seen}.", id="meter-seen", markup=False)
            yield Input(placeholder="such as 12.04", compact=True, max_length=12, id="meter")
            yield Static("", id="meter-hint", markup=False)
            with Horizontal(classes="dialog-choices"):
                yield Button("Take it (Enter)", id="meter-take", compact=True)
                yield Button("Feed once more", id="meter-again", compact=True)
                yield Button("Cannot: end", id="meter-cannot", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    def on_screen_resume(self) -> None:
        """Go away if nobody needs the answer any more."""
        if self.dismiss_when_shown and self.is_current:
            self.dismiss(None)

    def on_input_submitted(self) -> None:
        """Send the number."""
        self._take()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Send the number, or one of the words."""
        match event.button.id:
            case "meter-again":
                self.dismiss(AGAIN)
            case "meter-cannot":
                self.dismiss(CANNOT)
            case _:
                self._take()

    def _take(self) -> None:
        text = self.query_one(Input).value.strip()
        if text:
            self.dismiss(text)
        else:
            self._hint("Type what the meter showed, or choose one of the buttons.")

    def action_remind(self) -> None:
        """Say that this waits for an answer."""
        self._hint("This waits for an answer. F12 ends the calibration; nothing is stored.")

    def _hint(self, text: str) -> None:
        self.query_one("#meter-hint", Static).update(text)
