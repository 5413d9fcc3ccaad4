"""The help: what this screen is for, and every key of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, ClassVar

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingsMap, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.dom import DOMNode
from textual.widgets import Footer, Static

from rig.console.feeds_off import NEXT_STATION, STOP_HERE, Dialog
from rig.console.places import EVERY, PLACES, Place, places

if TYPE_CHECKING:
    from rig.console.screen import DeskScreen

_NAMES = {
    "escape": "Esc",
    "delete": "Del",
    "pageup": "Page up",
    "pagedown": "Page down",
    "slash": "/",
}


class HelpDialog(Dialog[None]):
    """The keys of ``screen`` and of the console, and what the screen is for."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,f1,enter", "leave", "Close", key_display="Esc")
    ]

    def __init__(self, screen: DeskScreen) -> None:
        super().__init__()
        self._of = screen

    def compose(self) -> ComposeResult:
        """Lay the help out."""
        title = next(place.title for place in EVERY if place.name == self._of.place)
        with Vertical(classes="dialog -tall-dialog"):
            yield Static(f"Help: {title}", classes="dialog-title", markup=False)
            with VerticalScroll(classes="dialog-text"):
                yield Static(f"{self._of.guide}\n", markup=False)
                yield Static(self._keys())
        yield Footer(compact=True, show_command_palette=False)

    def _keys(self) -> Table:
        table = Table.grid(padding=(0, 2))
        table.add_column(no_wrap=True)
        table.add_column()
        _add(table, "Keys of this screen", keys_of(type(self._of), *self._widgets()))
        not_here = {place.title for place in PLACES} - {place.title for place in self._places()}
        stop = f"{STOP_HERE.description}: {STOP_HERE.tooltip}"
        not_here.add(stop)
        if not self._of.app.desks.several:
            not_here.add(NEXT_STATION.description)
        everywhere = [row for row in keys_of(type(self._of.app)) if row[1] not in not_here]
        if self._of.app.desks.several:
            everywhere.append((STOP_HERE.key_display or "", stop))
        _add(table, "Keys everywhere", [*everywhere, *_MOVING])
        return table

    def _places(self) -> tuple[Place, ...]:
        return places(self._of.desk.has_world, several=self._of.app.desks.several)

    def _widgets(self) -> Iterator[type[DOMNode]]:
        """Yield the console's own kinds of widget on the screen."""
        kinds = dict.fromkeys(base for node in self._of.query("*") for base in type(node).__mro__)
        for kind in kinds:
            if kind.__module__.startswith("rig.") and issubclass(kind, DOMNode):
                yield kind

    def action_leave(self) -> None:
        """Close the help."""
        self.dismiss(None)


_MOVING = (
    ("Tab, Shift+Tab", "To the next or previous field"),
    ("^P", "List of actions to choose from"),
    ("^C", "Copy the text that is marked with the mouse"),
)


def keys_of(*kinds: type[DOMNode]) -> list[tuple[str, str]]:
    """Return the keys that these kinds of node bind themselves, with what they do, in order."""
    told: dict[str, list[str]] = {}
    for kind in kinds:
        for _, binding in BindingsMap(vars(kind).get("BINDINGS", ())):
            name = ": ".join(part for part in (binding.description, binding.tooltip) if part)
            keys = told.setdefault(name, []) if binding.description else []
            shown = key_name(binding.key) if keys else binding.key_display
            keys.append(shown or key_name(binding.key))
    # What one key does at different times stands together.
    by_keys: dict[str, list[str]] = {}
    for name, keys in told.items():
        by_keys.setdefault(", ".join(dict.fromkeys(keys)), []).append(name)
    return [(keys, "\n".join(names)) for keys, names in by_keys.items()]


def key_name(key: str) -> str:
    """Return a key as it is written on the screen: F12, ^X, Esc, Page up, P."""
    *held, last = key.split("+")
    shown = _NAMES.get(last) or last.capitalize()
    return "".join("^" if name == "ctrl" else f"{name.capitalize()}+" for name in held) + shown


def _add(table: Table, heading: str, rows: list[tuple[str, str]]) -> None:
    if table.row_count:
        table.add_row("", "")
    table.add_row(Text(heading, style="bold underline"), "")
    for keys, description in rows:
        table.add_row(Text(keys, style="bold"), description)
