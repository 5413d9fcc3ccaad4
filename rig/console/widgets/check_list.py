"""The self-check's items: how each stands, in words and characters, and what was seen of one."""

from __future__ import annotations

from collections.abc import Iterable

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.widgets import DataTable, Static

from rig.bench.events import CheckItem, ItemState

# A character and a word each, so that neither colour nor eyesight decides.
_MARKS = {
    ItemState.OPEN: ("·", "to do", "dim"),
    ItemState.GOING: ("»", "now", "bold"),
    ItemState.GOOD: ("=", "good", ""),
    ItemState.WRONG: ("!", "WRONG", "bold reverse"),
    ItemState.LEFT_OUT: ("-", "left out", "dim"),
}
WHAT_IT_IS = (
    "Feed outputs, sensors and dead-man are proved; then each relay is clicked with no unit "
    "fitted, and the emergency stop and the jig's switches are pressed when asked for. It takes "
    "about two minutes, asks before anything is powered, and ends with the feeds off."
)


class CheckList(Vertical):
    """Shows `CheckItem`s; the sentence below is of the marked one, by itself the latest."""

    DEFAULT_CSS = """
    CheckList { height: 1fr; }
    CheckList > .heading { text-style: bold; color: $primary; height: 1; }
    CheckList > DataTable {
        max-height: 11; width: 100%; overflow: hidden; background: transparent;
    }
    CheckList > #check-scroll { height: 1fr; min-height: 2; scrollbar-size-vertical: 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.items: tuple[CheckItem, ...] = ()
        self._followed = ""
        self._last = ""

    def entitle(self, heading: str) -> None:
        """Name what the items are of."""
        self.query_one("#check-heading", Static).update(heading)

    def tell_last(self, text: str) -> None:
        """Say what the last check came to, as long as there are no items."""
        if text != self._last:
            self._last = text
            self._show_text()

    def compose(self) -> ComposeResult:
        """Lay out the list and the place for a sentence."""
        yield Static("Self-check", classes="heading", id="check-heading", markup=False)
        table: DataTable[Text] = DataTable(
            show_header=False, cursor_type="row", cell_padding=1, id="check-items"
        )
        yield table
        with VerticalScroll(id="check-scroll", can_focus=False):
            yield Static(WHAT_IT_IS, id="check-text", markup=False)

    def on_mount(self) -> None:
        """Lay the columns out."""
        table = self._table()
        for key, width in (("mark", 1), ("title", 26), ("state", 9)):
            table.add_column("", key=key, width=width)
        table.display = False

    def _table(self) -> DataTable[Text]:
        return self.query_one(DataTable)

    def focus_items(self) -> None:
        """Go to the list."""
        self._table().focus()

    def show(self, items: Iterable[CheckItem]) -> None:
        """Show ``items``; the mark goes along with what is being checked."""
        items = tuple(items)
        if items == self.items:
            return
        table = self._table()
        if [item.name for item in items] != [item.name for item in self.items]:
            table.clear()
            for item in items:
                table.add_row(*_cells(item), key=item.name)
            self._followed = ""
        else:
            for old, item in zip(self.items, items, strict=True):
                if old != item:
                    for column, cell in zip(("mark", "title", "state"), _cells(item), strict=True):
                        table.update_cell(item.name, column, cell)
        self.items = items
        # Not "auto": Textual may keep the height of the rows before these when the terminal is
        # resized in the same breath, which is none (seen with 8.2.8 on a busy machine).
        table.styles.height = len(items)
        table.display = bool(items)
        self._follow()
        self._show_text()

    def _follow(self) -> None:
        """Mark what is being checked; when all is done, the first that is wrong."""
        states = [item.state for item in self.items]
        for wanted in (ItemState.GOING, ItemState.WRONG):
            if wanted in states:
                row = states.index(wanted)
                # Whoever moved the mark meanwhile is not followed until the next item.
                if self.items[row].name != self._followed:
                    self._followed = self.items[row].name
                    self._table().move_cursor(row=row, animate=False)
                return

    @on(DataTable.RowHighlighted)
    def _show_text(self) -> None:
        text = f"{WHAT_IT_IS}\n{self._last}".rstrip()
        if self.items:
            item = self.items[min(self._table().cursor_row, len(self.items) - 1)]
            text = item.text or ("Not checked yet." if item.state is ItemState.OPEN else "")
        self.query_one("#check-text", Static).update(text)


def _cells(item: CheckItem) -> tuple[Text, Text, Text]:
    mark, word, style = _MARKS[item.state]
    title = Text(item.title, style="dim" if style == "dim" else "", no_wrap=True)
    return Text(mark, style="bold"), title, Text(word, style=style)
