"""A number large enough to be read from a metre, with its unit and what it is."""

from __future__ import annotations

import math
from typing import ClassVar

from rich.style import Style
from textual.reactive import reactive

from rig.console.drawing.canvas import Canvas
from rig.console.drawing.digits import LARGE, SMALL, Face
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.glyphs import BLOCKS

OLD = "old"
NOTHING = "–––"


class Numerals(Drawn):
    """One value: digits 5 or 3 rows high, as height and width allow, or one line of plain text.

    From 4 rows (small) or 6 (large) the caption stands above the digits, in 3 rows beside them.

    ``value``: a number, shown with ``decimals``; words of digits such as "12/50"; None: nothing
    measured, shown as dashes.  ``places``: characters kept for the number, so that a new digit
    does not move the others.  ``stale``: the value is old, told in a word and fainter.
    """

    DEFAULT_CSS = """
    Numerals { width: 1fr; height: 4; }
    Numerals > .numerals--digits { color: $foreground; text-style: bold; }
    Numerals > .numerals--old { color: $foreground 45%; }
    Numerals > .numerals--caption { color: $foreground 65%; }
    Numerals > .numerals--old-word { color: $warning; text-style: bold reverse; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "numerals--digits",
        "numerals--old",
        "numerals--caption",
        "numerals--old-word",
    }

    value: reactive[float | str | None] = reactive(None, repaint=False)
    stale: reactive[bool] = reactive(False, repaint=False)
    caption: reactive[str] = reactive("", repaint=False)

    def __init__(
        self,
        caption: str,
        unit: str = "",
        *,
        decimals: int = 2,
        places: int = 0,
        name: str | None = None,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(glyphs=BLOCKS, name=name, id=id, classes=classes)
        self.set_reactive(Numerals.caption, caption)
        self.unit, self.decimals, self.places = unit, decimals, places

    def watch_value(self, old: float | str | None, new: float | str | None) -> None:
        """Show the change, if it is one of the digits shown."""
        if self._number(old) != self._number(new):
            self.redraw()

    def watch_stale(self) -> None:
        """Show the change."""
        self.redraw()

    watch_caption = watch_stale

    @property
    def number(self) -> str:
        """The value as it is shown, without its unit."""
        return self._number(self.value)

    def draw(self, canvas: Canvas) -> None:
        """Draw the largest digits that fit."""
        for face, above in ((LARGE, True), (SMALL, True), (SMALL, False)):
            if canvas.rows >= face.rows + above and self._draw_large(canvas, face, above=above):
                return
        self._draw_plain(canvas)

    def _number(self, value: float | str | None) -> str:
        if isinstance(value, str):
            return value.rjust(self.places)
        if value is None or not math.isfinite(value):
            return NOTHING.rjust(self.places)
        text = f"{value:.{self.decimals}f}"
        # Minus zero is what noise about zero rounds to, and means nothing to a reader.
        return text.removeprefix("-" if float(text) == 0.0 else "").rjust(self.places)

    def _draw_large(self, canvas: Canvas, face: Face, *, above: bool) -> bool:
        """Draw number, unit and caption; draw nothing and return False if they do not fit."""
        bits, unit = face.bits(self.number), face.bits(self.unit)
        if bits is None:
            return False
        column = bits.shape[1] + (face.gap + 2 if self.unit or not above else 0)
        large_unit = above and unit is not None and column + unit.shape[1] <= canvas.columns
        words = 0 if above else max(len(self.caption), len(OLD) + 2)
        if not large_unit and column + max(words, len(self.unit)) > canvas.columns:
            return False
        top = (canvas.rows - face.rows - above) // 2
        layer = canvas.layer(self._ink)
        layer.bitmap(0, 2 * (top + above), bits)
        if large_unit and unit is not None:
            layer.bitmap(column, 2 * (top + above), unit)
        else:
            canvas.text(column, top + above + face.rows - 1, self.unit, self._ink)
        self._say(canvas, 0 if above else column, top, beside=above)
        return True

    @property
    def _ink(self) -> Style:
        return self.ink("numerals--old" if self.stale else "numerals--digits")

    def _say(self, canvas: Canvas, column: int, row: int, *, beside: bool) -> None:
        """Write the caption and, where the value is old, the word for it beside or below."""
        canvas.text(column, row, self.caption, self.ink("numerals--caption"))
        if self.stale:
            word = f" {OLD} "
            after = min(column + len(self.caption) + 2, canvas.columns - len(word))
            at = (after, row) if beside else (column, row + 1)
            canvas.text(*at, word, self.ink("numerals--old-word"))

    def _draw_plain(self, canvas: Canvas) -> None:
        """Write one line; what does not fit is left out, the caption first."""
        row = (canvas.rows - 1) // 2
        said = f"{self.number.strip()} {self.unit}".strip()
        old = f" {OLD} " if self.stale else ""
        caption = f"{self.caption} " if self.caption else ""
        if len(caption + said + old) + 1 > canvas.columns:
            caption = ""
        canvas.text(0, row, caption, self.ink("numerals--caption"))
        canvas.text(len(caption), row, said, self._ink)
        if old:
            column = min(len(caption + said) + 1, max(0, canvas.columns - len(old)))
            canvas.text(column, row, old, self.ink("numerals--old-word"))
