"""Reads back what a drawn widget shows: dots out of characters, cells by style; and hosts it."""

from __future__ import annotations

import unicodedata
from contextlib import asynccontextmanager
from functools import lru_cache

import numpy as np
from textual.app import App

from rig.console.theme import DAYLIGHT, FIELD

# Where Unicode's numbered braille dots lie: (row, column).
_PLACES = {1: (0, 0), 2: (1, 0), 3: (2, 0), 7: (3, 0), 4: (0, 1), 5: (1, 1), 6: (2, 1), 8: (3, 1)}
_BLOCKS = {" ": (), "UPPER HALF BLOCK": (0,), "LOWER HALF BLOCK": (1,), "FULL BLOCK": (0, 1)}


@lru_cache(4096)
def cell_dots(character, down=4, across=2):
    """Return the dots of one character, by its name in the Unicode tables; none of a letter."""
    dots = np.zeros((down, across), dtype=bool)
    name = unicodedata.name(character, "")
    if name.startswith("BRAILLE PATTERN DOTS-"):
        for number in name.rsplit("-", 1)[1]:
            dots[_PLACES[int(number)]] = True
    elif name in _BLOCKS:
        dots[list(_BLOCKS[name])] = True
    return dots


def dots_of(lines, down=4, across=2):
    """Return all dots of rows of text."""
    rows = [np.hstack([cell_dots(c, down, across) for c in line]) for line in lines]
    return np.vstack(rows)


def styled_dots(strips, style, down=4, across=2):
    """Return the dots of the cells that have a style."""
    kept = []
    for strip in strips:
        parts = (s.text if s.style == style else " " * len(s.text) for s in strip)
        kept.append("".join(parts))
    return dots_of(kept, down, across)


class Host(App):
    """One widget on a screen of its own."""

    CSS = "Screen > * { width: 100%; height: 100%; }"

    def __init__(self, widget):
        super().__init__()
        self.register_theme(FIELD)
        self.register_theme(DAYLIGHT)
        self.theme = "field"
        self.widget = widget

    def compose(self):
        yield self.widget


@asynccontextmanager
async def hosted(widget, columns=80, rows=24):
    """Show a widget at a size."""
    async with Host(widget).run_test(size=(columns, rows)) as pilot:
        await pilot.pause()
        yield pilot
