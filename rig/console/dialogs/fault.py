"""Choosing a fault of the simulated bench and its degree."""

from __future__ import annotations

from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Footer, Input, OptionList, Static
from textual.widgets.option_list import Option

from drivers.backends import FaultKind, fault_kinds
from rig.console.feeds_off import Dialog
from rig.console.widgets.field import Field


class FaultDialog(Dialog[str | None]):
    """Dismissed with ``name`` or ``name=degree``, None if nothing was chosen.

    ``name`` and ``degree`` are what it opens on.
    """

    CSS_PATH = "fault.tcss"
    AUTO_FOCUS = "#search"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "move(1)", "Next", show=False),
        Binding("up", "move(-1)", "Previous", show=False),
        Binding("escape", "leave", "Close", key_display="Esc"),
    ]

    def __init__(self, name: str = "", degree: str = "") -> None:
        super().__init__()
        self._kinds = {kind.name: kind for kind in fault_kinds()}
        self._opens_on = name if name in self._kinds else ""
        self._degree = degree
        self._shown: FaultKind | None = None

    def compose(self) -> ComposeResult:
        """Lay out search, list, what the fault means, and its degree."""
        with Vertical(classes="dialog faults"):
            yield Static("A fault of the simulated bench", classes="dialog-title", markup=False)
            yield Field(
                "Search",
                Input(placeholder="a word of its name or meaning", compact=True, id="search"),
                id="search-field",
            )
            yield OptionList(id="fault-list", compact=True, markup=False)
            yield Static("", id="fault-says", markup=False)
            yield Field("Degree", Input(compact=True, id="degree"), id="degree-field")
            with Horizontal(id="fault-choices"):
                yield Button("Close  Esc", id="leave", action="screen.leave", compact=True)
                yield Button("Apply  Enter", id="apply", action="screen.apply", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        """Show every fault, the one it opens on highlighted."""
        self._filter("")
        if self._opens_on:
            shown = self.query_one("#fault-list", OptionList)
            shown.highlighted = shown.get_option_index(self._opens_on)
            self._show(self._kinds[self._opens_on])
            self._to_degree()

    # --- the list ------------------------------------------------------------------------------

    @on(Input.Changed, "#search")
    def _searched(self, event: Input.Changed) -> None:
        self._filter(event.value)

    def _filter(self, words: str) -> None:
        wanted = words.lower().split()
        found = [
            kind
            for kind in self._kinds.values()
            if all(word in f"{kind.name} {kind.says} {kind.area}".lower() for word in wanted)
        ]
        shown = self.query_one("#fault-list", OptionList)
        shown.clear_options()
        shown.add_options(Option(_line(kind), id=kind.name) for kind in found)
        if found:
            shown.highlighted = 0
        self._show(found[0] if found else None)
        trouble = "" if found else "No fault is called or means that. Try fewer letters."
        self.query_one("#search-field", Field).trouble(trouble)

    @on(OptionList.OptionHighlighted)
    def _highlighted(self, event: OptionList.OptionHighlighted) -> None:
        kind = self._kinds[event.option.id or ""]
        if kind is not self._shown:
            self._show(kind)

    @on(OptionList.OptionSelected)
    @on(Input.Submitted, "#search")
    def _taken(self) -> None:
        if self._shown is not None and self._shown.unit:
            self._to_degree()
        else:
            self.action_apply()

    def _show(self, kind: FaultKind | None) -> None:
        self._shown = kind
        says, asks = self.query_one("#fault-says", Static), self.query_one("#degree-field", Field)
        asks.trouble("")
        asks.display = kind is not None and bool(kind.unit)
        self.query_one("#apply").disabled = kind is None
        if kind is None:
            says.update("")
            return
        range_ = f" {kind.low:g} to {kind.high:g} {kind.unit}." if kind.unit else ""
        says.update(f"{kind.name}: {kind.says}.{range_}")
        known = self._degree if kind.name == self._opens_on else ""
        self.query_one("#degree", Input).value = known or f"{kind.usual:g}"

    def _to_degree(self) -> None:
        if self._shown is not None and self._shown.unit:
            self.query_one("#degree").focus()

    # --- actions -------------------------------------------------------------------------------

    def action_move(self, by: int) -> None:
        """Move in the list while something is typed."""
        shown = self.query_one("#fault-list", OptionList)
        if shown.option_count:
            at = (shown.highlighted or 0) + by
            shown.highlighted = max(0, min(shown.option_count - 1, at))

    @on(Input.Submitted, "#degree")
    def action_apply(self) -> None:
        """Apply the fault shown, if its degree is right."""
        kind = self._shown
        if kind is None:
            return
        if not kind.unit:
            self.dismiss(kind.name)
            return
        text = self.query_one("#degree", Input).value.strip()
        trouble = trouble_with_degree(kind, text)
        self.query_one("#degree-field", Field).trouble(trouble)
        if trouble:
            self.query_one("#degree").focus()
        else:
            self.dismiss(f"{kind.name}={float(text):g}")

    def action_leave(self) -> None:
        """Close without a choice."""
        self.dismiss(None)


def trouble_with_degree(kind: FaultKind, text: str) -> str:
    """Return what is wrong with a degree as typed, in a sentence; empty if nothing is."""
    try:
        degree = float(text)
    except ValueError:
        degree = float("nan")
    if kind.low <= degree <= kind.high:
        return ""
    is_typed = f"'{text}' is no such degree" if text else "The degree is missing"
    return f"{is_typed}: give a number from {kind.low:g} to {kind.high:g} {kind.unit}."


def _line(kind: FaultKind) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=22, no_wrap=True)
    grid.add_column(ratio=1, no_wrap=True, overflow="crop")
    grid.add_row(Text(kind.name, style="bold"), Text(kind.says))
    return grid
