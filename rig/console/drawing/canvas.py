"""Dots, lines and words in the cells of a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from rig.console.drawing.glyphs import BRAILLE, Glyphs
from rig.console.drawing.raster import Floats, line_dots, thinned

Dash = tuple[int, int]
"""Dots drawn and dots left out, in turn along the line."""

DASHED: Dash = (4, 3)
DOTTED: Dash = (1, 1)
SPARSE: Dash = (1, 2)
PLAIN = Style.null()

# Up to four points a dot column are kept by thinning, so shorter series gain nothing by it.
_WORTH_THINNING = 4


@dataclass(frozen=True)
class Area:
    """A rectangle of cells on a canvas."""

    column: int
    row: int
    columns: int
    rows: int


class Layer:
    """Dots of one style inside one area; coordinates are dots of the area, y downwards.

    Made by `Canvas.layer`.  What falls outside the area is not drawn.  ``width`` and ``height``
    are in dots.
    """

    def __init__(self, style: Style, dots: NDArray[np.bool_], window: NDArray[np.bool_]) -> None:
        self.style = style
        self.dots = dots
        self._window = window
        self.height, self.width = window.shape

    def polyline(self, x: ArrayLike, y: ArrayLike, dash: Dash | None = None) -> None:
        """Draw through points; a point that is not finite is a gap and stays one.

        Long series are thinned to each dot column's extremes first.
        """
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        if len(x) > _WORTH_THINNING * self.width:
            x, y = thinned(x, y)
        across, down = line_dots(x, y, self.width, self.height)
        if dash is not None:
            drawn = _drawn(len(across), dash)
            across, down = across[drawn], down[drawn]
        self._window[down, across] = True

    def points(self, x: ArrayLike, y: ArrayLike) -> None:
        """Draw single dots."""
        x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        inside = (x >= 0) & (x <= self.width - 1) & (y >= 0) & (y <= self.height - 1)
        across, down = np.floor(x[inside] + 0.5), np.floor(y[inside] + 0.5)
        self._window[down.astype(np.intp), across.astype(np.intp)] = True

    def line(
        self, start: tuple[float, float], end: tuple[float, float], dash: Dash | None = None
    ) -> None:
        """Draw a straight line between two dots (x, y)."""
        self.polyline([start[0], end[0]], [start[1], end[1]], dash)

    def horizontal(self, y: float, dash: Dash | None = None) -> None:
        """Draw a line over the whole width."""
        if 0 <= y <= self.height - 1:
            self._window[int(y + 0.5), _drawn(self.width, dash)] = True

    def vertical(self, x: float, dash: Dash | None = None) -> None:
        """Draw a line over the whole height."""
        if 0 <= x <= self.width - 1:
            self._window[_drawn(self.height, dash), int(x + 0.5)] = True

    def arc(
        self,
        centre: tuple[float, float],
        radius: float,
        degrees: tuple[float, float],
        dash: Dash | None = None,
    ) -> None:
        """Draw part of a circle; 0 degrees points left, 90 up, 180 right (as the dial turns)."""
        first, last = degrees
        count = max(2, int(abs(last - first) / 360.0 * 6.3 * abs(radius)) + 1)
        x, y = towards(centre, radius, np.linspace(first, last, count))
        self.polyline(x, y, dash)

    def disc(self, centre: tuple[float, float], radius: float) -> None:
        """Draw a filled circle."""
        reach = np.arange(-int(radius), int(radius) + 1)
        x, y = (grid.ravel() for grid in np.meshgrid(reach, reach))
        # A quarter of a dot more makes small discs round instead of pointed.
        round_ = x * x + y * y <= (radius + 0.25) ** 2
        self.points(centre[0] + x[round_], centre[1] + y[round_])

    def bitmap(self, x: int, y: int, bits: NDArray[np.bool_]) -> None:
        """Draw a picture with its first dot at (x, y)."""
        left, top = max(0, -x), max(0, -y)
        part = bits[top : max(top, self.height - y), left : max(left, self.width - x)]
        rows, columns = part.shape
        self._window[y + top : y + top + rows, x + left : x + left + columns] |= part


def _drawn(dots: int, dash: Dash | None) -> NDArray[np.intp]:
    """Return which of a line's dots are drawn."""
    every = np.arange(dots)
    return every if dash is None else every[every % sum(dash) < dash[0]]


def towards(centre: tuple[float, float], radius: float, degrees: Floats) -> tuple[Floats, Floats]:
    """Return the points at ``radius`` from ``centre`` (dots); 0 degrees points left, 90 up."""
    angle = np.radians(degrees)
    return centre[0] - radius * np.cos(angle), centre[1] - radius * np.sin(angle)


class Canvas:
    """``columns`` x ``rows`` cells in which dots and words are drawn, layer upon layer.

    A cell takes the style of the last layer that has a dot in it; words lie above all dots.
    ``base`` is the style of empty cells.
    """

    def __init__(
        self, columns: int, rows: int, glyphs: Glyphs = BRAILLE, base: Style = PLAIN
    ) -> None:
        self.columns, self.rows, self.glyphs = columns, rows, glyphs
        self._layers: list[tuple[Layer, Sequence[Layer]]] = []
        self._letters = np.zeros((rows, columns), dtype=np.uint32)
        self._letter_style = np.zeros((rows, columns), dtype=np.intp)
        self._styles, self._numbers = [base], {base: 0}

    def layer(
        self, style: Style, area: Area | None = None, *, covers: Sequence[Layer] = ()
    ) -> Layer:
        """Return a new layer above all earlier ones, over all of the canvas or an area of it.

        ``covers``: layers whose dots it hides in the cells it touches, so that lines close to
        each other stay thin.
        """
        down, across = self.glyphs.down, self.glyphs.across
        dots = np.zeros((self.rows * down, self.columns * across), dtype=np.bool_)
        window = dots
        if area is not None:
            top, left = max(0, area.row) * down, max(0, area.column) * across
            bottom, right = (area.row + area.rows) * down, (area.column + area.columns) * across
            window = dots[top : max(top, bottom), left : max(left, right)]
        layer = Layer(style, dots, window)
        self._layers.append((layer, covers))
        self.__dict__.pop("_dotted", None)
        return layer

    def text(self, column: int, row: int, text: str, style: Style) -> None:
        """Write words from a cell on, above all dots; what does not fit is cut off.

        Characters must be one cell wide.
        """
        if not 0 <= row < self.rows:
            return
        text, column = text[max(0, -column) :], max(0, column)
        text = text[: max(0, self.columns - column)]
        if not text:
            return
        end = column + len(text)
        self._letters[row, column:end] = [ord(letter) for letter in text]
        self._letter_style[row, column:end] = self._number_of(style)

    def downwards(self, column: int, row: int, text: str, style: Style) -> None:
        """Write characters below each other from a cell on; what does not fit is cut off."""
        if 0 <= column < self.columns and 0 <= row < self.rows:
            letters = [ord(letter) for letter in text[: self.rows - row]]
            rows = slice(row, row + len(letters))
            self._letters[rows, column] = letters
            self._letter_style[rows, column] = self._number_of(style)

    def busy(self, column: int, row: int, length: int) -> int:
        """Return how much a word there would hide: 1 for a cell with dots, 100 for a letter.

        Dots drawn on a layer after the first question since its making may be missed.
        """
        if not 0 <= row < self.rows:
            return 100 * length
        span = slice(max(0, column), max(0, column + length))
        letters = int(np.count_nonzero(self._letters[row, span]))
        return 100 * letters + int(np.count_nonzero(self._dotted[row, span]))

    @cached_property
    def _dotted(self) -> NDArray[np.bool_]:
        """Which cells have a dot in any layer."""
        down, across = self.glyphs.down, self.glyphs.across
        dots = np.zeros((self.rows * down, self.columns * across), dtype=np.bool_)
        for layer, _ in self._layers:
            dots |= layer.dots
        cells = dots.reshape(self.rows, down, self.columns, across)
        return np.asarray(cells.any(axis=(1, 3)), dtype=np.bool_)

    def strips(self) -> list[Strip]:
        """Return what is drawn, one strip a row."""
        if self.columns < 1 or self.rows < 1:
            return [Strip.blank(0)] * self.rows
        characters, owners = self._cells()
        lines = np.ascontiguousarray(characters).view(f"U{self.columns}").ravel().tolist()
        rows, columns = np.nonzero(np.diff(owners, axis=1))
        ends: list[list[int]] = [[] for _ in lines]
        for row, column in zip(rows.tolist(), (columns + 1).tolist(), strict=True):
            ends[row].append(column)
        return [
            self._strip(line, owner, end)
            for line, owner, end in zip(lines, owners.tolist(), ends, strict=True)
        ]

    def _number_of(self, style: Style) -> int:
        number = self._numbers.get(style)
        if number is None:
            number = self._numbers[style] = len(self._styles)
            self._styles.append(style)
        return number

    def _cells(self) -> tuple[NDArray[np.uint32], NDArray[np.intp]]:
        """Return every cell's code point and the number of its style."""
        bits = np.zeros((self.rows, self.columns), dtype=np.uint8)
        owners = np.zeros((self.rows, self.columns), dtype=np.intp)
        own_bits = {id(layer): self._bits(layer) for layer, _ in self._layers}
        for layer, covers in self._layers:
            touched = own_bits[id(layer)] != 0
            np.copyto(owners, self._number_of(layer.style), where=touched)
            for covered in covers:
                own_bits[id(covered)][touched] = 0
        for own in own_bits.values():
            bits |= own
        lettered = self._letters != 0
        characters = np.where(lettered, self._letters, self.glyphs.characters[bits])
        np.copyto(owners, self._letter_style, where=lettered)
        return characters, self._spread(owners, (bits == 0) & ~lettered)

    def _bits(self, layer: Layer) -> NDArray[np.uint8]:
        """Return every cell's sum of bits of one layer's dots."""
        down, across = self.glyphs.down, self.glyphs.across
        dots = layer.dots.reshape(self.rows, down, self.columns * across).view(np.uint8)
        parts = (dots * np.tile(self.glyphs.weights, self.columns)).sum(axis=1, dtype=np.uint8)
        bits: NDArray[np.uint8] = parts[:, 0::across].copy()
        for other in range(1, across):
            bits |= parts[:, other::across]
        return bits

    def _spread(self, owners: NDArray[np.intp], blank: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return owners with each blank cell in the style left of it: fewer pieces to send."""
        base = self._styles[0]
        quiet = np.array(
            [
                not (s.reverse or s.underline or s.strike or s.overline)
                and s.bgcolor == base.bgcolor
                for s in self._styles
            ]
        )
        source = np.where(blank, 0, np.arange(self.columns))
        np.maximum.accumulate(source, axis=1, out=source)
        spread = np.take_along_axis(owners, source, axis=1)
        return np.where(blank & ~quiet[spread], 0, spread)

    def _strip(self, line: str, owners: list[int], ends: list[int]) -> Strip:
        styles, start, segments = self._styles, 0, []
        for end in (*ends, self.columns):
            segments.append(Segment(line[start:end], styles[owners[start]]))
            start = end
        return Strip(segments, self.columns)
