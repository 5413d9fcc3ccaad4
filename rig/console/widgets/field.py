"""One line of a form: its name, where it is filled in, and what is wrong with what is there."""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widget import Widget
from textual.widgets import Select, Static

Kept = TypeVar("Kept")


class Pick(Select[Kept], inherit_bindings=False):
    """A list to choose from, opened by Enter: the arrow keys are left to walk through the form."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "show_overlay", "Open the list", show=False)
    ]


class Field(Vertical):
    """``control`` under ``name``; `trouble` shows a sentence below it, empty for none."""

    DEFAULT_CSS = """
    Field { height: auto; margin-bottom: 1; }
    Field > .line { height: 1; }
    Field .name { width: 10; padding-left: 1; color: $text-muted; }
    Field.-here .name { text-style: bold reverse; color: $primary; }
    Field .control { width: 1fr; }
    Field Input { background: $panel; padding: 0 1; }
    Field Input:focus { background: $primary 25%; }
    Field Select > SelectCurrent { background: $panel; padding: 0 1; }
    Field Select:focus > SelectCurrent { background: $primary 25%; text-style: bold; }
    Field > .trouble { display: none; height: auto; padding: 0 1; color: $error; }
    Field.-wrong > .trouble { display: block; }
    Field.-wrong .name { color: $error; }
    Field.-wrong.-here .name { color: $error; text-style: bold reverse; }
    """

    def __init__(self, name: str, control: Widget, *, id: str) -> None:
        super().__init__(id=id)
        self._title = name
        self.control = control
        self.control.add_class("control")

    def compose(self) -> ComposeResult:
        """Lay out name and control, then the place for a sentence."""
        with Horizontal(classes="line"):
            yield Static(self._title, classes="name", markup=False)
            yield self.control
        yield Static("", classes="trouble", markup=False)

    # A class, because `:focus-within .name` is not applied anew when the focus moves on (measured,
    # Textual 8.2.8).

    def on_descendant_focus(self) -> None:
        """Show that what is typed goes here."""
        self.add_class("-here")

    def on_descendant_blur(self) -> None:
        """Show that it does not any more."""
        self.remove_class("-here")

    def rename(self, name: str) -> None:
        """Call the field by another name."""
        self._title = name
        self.query_one(".name", Static).update(name)

    def trouble(self, sentence: str) -> None:
        """Show what is wrong here; an empty sentence takes it away."""
        self.query_one(".trouble", Static).update(f"! {sentence}" if sentence else "")
        self.set_class(bool(sentence), "-wrong")
