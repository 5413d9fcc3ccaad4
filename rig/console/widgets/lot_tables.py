"""Lots as lines of a table, and the items of a lot's sample."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.widgets import DataTable

from rig.console.widgets.run_table import world_word
from rig.lots.words import item_words, verdict_word
from rig.records.lot_model import ItemResult, LotItem, LotKept

# Column, width, width where there is room.
_LOT_COLUMNS = (
    ("lot", 11, 24),
    ("supplier", 16, 28),
    ("units", 6, 8),
    ("judged", 7, 9),
    ("bad  Ac", 7, 10),
    ("stands", 14, 16),
    ("", 3, 9),
)
_WIDE = 118  # columns: what the wide widths and their gaps take


class _Lines(DataTable[Text]):
    BINDINGS: ClassVar[list[BindingType]] = [
        # Rows have no cells to go to: these keys go to the first and the last of them.
        Binding("home", "scroll_top", "First", show=False),
        Binding("end", "scroll_bottom", "Last", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(cursor_type="row", id=id)

    def add_line(self, cells: Sequence[str], style: str) -> None:
        """Add a row of one style."""
        self.add_row(*(Text(cell, style, no_wrap=True, overflow="ellipsis") for cell in cells))

    def move_to(self, row: int | None) -> None:
        """Move the cursor to a row, if there is one."""
        if row is not None:
            self.move_cursor(row=row)


class LotTable(_Lines):
    """Every lot, the newest first."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "select_cursor", "Open", key_display="Enter"),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._lots: Sequence[LotKept] = ()
        self._wide = False

    @property
    def chosen(self) -> LotKept | None:
        """The lot under the cursor."""
        at = self.cursor_row
        return self._lots[at] if 0 <= at < len(self._lots) else None

    def show(self, lots: Sequence[LotKept], name: str) -> None:
        """Show lots, the cursor on the one called ``name``."""
        self._lots = lots
        self._wide = self.size.width >= _WIDE
        self.clear(columns=True)
        for title, narrow, wide in _LOT_COLUMNS:
            self.add_column(title, width=wide if self._wide else narrow)
        for lot in lots:
            bad = len(lot.nonconforming)
            self.add_line(
                (
                    lot.name,
                    lot.supplier,
                    f"{lot.size}",
                    f"{lot.judged}/{len(lot.sample)}",
                    f"{bad:>3}{lot.ac:>4}",
                    verdict_word(lot),
                    world_word(lot.simulated, wide=self._wide),
                ),
                "bold" if lot.is_open else "",
            )
        self.move_to(next((k for k, lot in enumerate(lots) if lot.name == name), None))

    def on_resize(self, event: events.Resize) -> None:
        """Use the room there is."""
        if self._wide is not (event.size.width >= _WIDE):
            self.show(self._lots, self.chosen.name if self.chosen else "")


class ItemTable(_Lines):
    """A lot's sample in the order of the crate; replaced items stand where they were."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._items: list[LotItem] = []

    @property
    def chosen(self) -> LotItem | None:
        """The item under the cursor."""
        at = self.cursor_row
        return self._items[at] if 0 <= at < len(self._items) else None

    def show(self, lot: LotKept, *, same: bool) -> None:
        """Show the items; the cursor on the next one, or where it was if it is the ``same`` lot."""
        at = self.chosen
        self._items = sorted(lot.items, key=lambda item: item.number)
        stays = at.number if same and at is not None else None
        following = lot.next_item
        wanted = stays if stays is not None else following.number if following else None
        self.clear(columns=True)
        for title, width in (("item", 6), ("serial", 16), ("came to", None)):
            self.add_column(title, width=width)
        for item in self._items:
            mark = ">" if following is not None and item.number == following.number else " "
            bad = item.result is ItemResult.NONCONFORMING
            left = item.result in (ItemResult.LEFT, ItemResult.REPLACED)
            self.add_line(
                (
                    f"{mark}{item.number:>5}",
                    item.serial or "-",
                    _came_to(item, ended=not lot.is_open),
                ),
                "bold" if bad else "dim" if left else "",
            )
        self.move_to(next((k for k, one in enumerate(self._items) if one.number == wanted), None))


def _came_to(item: LotItem, *, ended: bool) -> str:
    """Return what an item came to, and first that runs of it were set aside: the end is cut off."""
    aside = sum(bool(run.set_aside) for run in item.runs)
    what = item_words(item, ended=ended)
    return f"{aside} set aside; {what}" if aside else what
