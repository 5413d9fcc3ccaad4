"""The search of the records: six small fields, and under them what is wrong with one."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Select, Static

from rig.console.search_words import NO_VERDICT, SearchWords

_VERDICTS = (
    ("any", ""),
    ("pass", "pass"),
    ("fail", "fail"),
    ("retest", "retest"),
    ("no verdict", NO_VERDICT),
)
_NAMES = {"unit": "Unit", "job": "Job/lot", "plan": "Plan", "since": "From", "until": "To"}
_HINTS = {"since": "YYYY-MM-DD", "until": "YYYY-MM-DD"}


class SearchForm(Vertical):
    """Posts `Typed` with every change and `Done` when the operator leaves for the list."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "done", "To the list", show=False),
        Binding("escape", "done", "To the list", key_display="Esc"),
    ]
    DEFAULT_CSS = """
    SearchForm { height: auto; padding: 0 1; }
    SearchForm > .line { height: 1; }
    SearchForm > .line > Static { width: 8; color: $text-muted; }
    SearchForm > .line > .-named { text-style: bold reverse; color: $primary; }
    SearchForm > .line > .-wrong { text-style: bold; color: $error; }
    SearchForm > .line > Input, SearchForm > .line > Select { width: 1fr; margin-right: 2; }
    SearchForm Input { background: $panel; padding: 0 1; }
    SearchForm Input:focus { background: $primary 25%; }
    SearchForm Select > SelectCurrent { background: $panel; padding: 0 1; }
    SearchForm Select:focus > SelectCurrent { background: $primary 25%; text-style: bold; }
    SearchForm > .trouble { display: none; height: auto; color: $error; }
    SearchForm.-wrong > .trouble { display: block; }
    """

    class Typed(Message):
        """A field has changed."""

    class Done(Message):
        """The operator goes on to the list."""

    def compose(self) -> ComposeResult:
        """Lay the fields out in two lines."""
        with Horizontal(classes="line"):
            for name in ("unit", "job", "plan"):
                yield from self._field(name, self._input(name))
        with Horizontal(classes="line"):
            for name in ("since", "until"):
                yield from self._field(name, self._input(name))
            verdict = Select(_VERDICTS, allow_blank=False, value="", compact=True, id="verdict")
            yield from self._field("verdict", verdict)
        yield Static("", classes="trouble", markup=False)

    def _field(self, name: str, control: Widget) -> ComposeResult:
        yield Static(_NAMES.get(name, "Verdict"), id=f"name-{name}", markup=False)
        yield control

    def _input(self, name: str) -> Input:
        hint = _HINTS.get(name, "part of it")
        return Input(placeholder=hint, max_length=60, compact=True, id=f"search-{name}")

    def words(self) -> SearchWords:
        """Return the fields as they are."""
        typed = {name: self.query_one(f"#search-{name}", Input).value for name in _NAMES}
        return SearchWords(**typed, verdict=str(self.query_one(Select).value))

    def trouble(self, troubles: dict[str, str]) -> None:
        """Tell what is wrong with which field; none takes it away."""
        for name in _NAMES:
            self.query_one(f"#name-{name}").set_class(name in troubles, "-wrong")
        said = [f"{_NAMES[name]}: {text}" for name, text in troubles.items()]
        self.query_one(".trouble", Static).update("\n".join(said))
        self.set_class(bool(said), "-wrong")

    def clear(self) -> None:
        """Empty every field."""
        for name in _NAMES:
            self.query_one(f"#search-{name}", Input).value = ""
        self.query_one(Select).value = ""

    def on_descendant_focus(self) -> None:
        """Show which field has the focus by its name, also without colours."""
        self._name_focused()

    def on_descendant_blur(self) -> None:
        """Take it back."""
        self._name_focused()

    def _name_focused(self) -> None:
        focused = self.screen.focused
        for name in (*_NAMES, "verdict"):
            control = self.query_one("#verdict" if name == "verdict" else f"#search-{name}")
            self.query_one(f"#name-{name}").set_class(control is focused, "-named")

    def look_for_unit(self, serial: str) -> None:
        """Have runs of one unit searched for, and nothing else asked of them."""
        self.clear()
        self.query_one("#search-unit", Input).value = serial

    def on_input_changed(self, event: Input.Changed) -> None:
        """Say that something was typed."""
        event.stop()
        self.post_message(self.Typed())

    def on_select_changed(self, event: Select.Changed) -> None:
        """Say that another verdict was chosen."""
        event.stop()
        self.post_message(self.Typed())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go on to the list: a scanner ends a serial with Enter."""
        event.stop()
        self.post_message(self.Done())

    def action_done(self) -> None:
        """Go on to the list."""
        self.post_message(self.Done())
