"""Axes in box characters round a plot, and words placed where they hide least."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rich.style import Style

from rig.console.drawing.canvas import Area, Canvas
from rig.console.drawing.scale import Scale, ticks

# Cells a tick's text wants for itself along the x axis, its gap included.
_X_ROOM = 10


def y_ticks(low: float, high: float, rows: int) -> list[tuple[float, str]]:
    """Return ticks for a y axis ``rows`` cells high, at most one every second row."""
    return ticks(low, high, max(2, min(6, (rows - 1) // 2)))


def gutter(marks: Iterable[tuple[float, str]]) -> int:
    """Return how many columns the texts and the line of a y axis need."""
    return max((len(text) for _, text in marks), default=0) + 1


def draw_y_axis(
    canvas: Canvas, plot: Area, scale: Scale, marks: Sequence[tuple[float, str]], style: Style
) -> None:
    """Draw a y axis left of ``plot``, whose scale is in the plot's dots."""
    column = plot.column - 1
    canvas.downwards(column, plot.row, "│" * plot.rows, style)
    for value, text in marks:
        row = cell(scale.at(value), canvas.glyphs.down)
        if 0 <= row < plot.rows:
            canvas.text(column - len(text), plot.row + row, text + "┤", style)


def draw_x_axis(
    canvas: Canvas,
    plot: Area,
    scale: Scale,
    marks: Sequence[tuple[float, str]],
    style: Style,
    *,
    line: bool,
) -> None:
    """Draw an x axis below ``plot``: one row of text, before it one of the line if ``line``.

    Texts that would touch an earlier one are left out; the unit belongs to the last tick's text.
    """
    row = plot.row + plot.rows
    if line:
        canvas.text(plot.column - 1, row, "└" + "─" * plot.columns, style)
    taken = -1
    for value, text in marks:
        column = plot.column + cell(scale.at(value), canvas.glyphs.across)
        start = min(column - len(text.split()[0]) // 2, canvas.columns - len(text))
        if start <= taken or start < 0:
            continue
        taken = start + len(text)
        canvas.text(start, row + line, text, style)
        if line:
            canvas.text(column, row, "┬", style)


def x_ticks(low: float, high: float, columns: int, unit: str) -> list[tuple[float, str]]:
    """Return ticks for an x axis ``columns`` cells long, the unit after the last one's number."""
    marks = ticks(low, high, max(1, columns // _X_ROOM))
    if marks:
        value, text = marks[-1]
        marks[-1] = (value, f"{text} {unit}".rstrip())
    return marks


def cell(dot: float, dots_a_cell: int) -> int:
    """Return the cell in which a dot lies."""
    return int((dot + 0.5) // dots_a_cell)


def place(
    canvas: Canvas, plot: Area, spots: Sequence[tuple[int, int]], text: str, style: Style
) -> None:
    """Write ``text`` inside ``plot`` at the spot (column, row of the plot) where it hides least.

    Spots are moved inside; of equally good ones the first is taken.  A text longer than the plot
    is cut off.
    """
    text = text[: plot.columns]
    if not spots or plot.rows < 1 or not text:
        return
    last_column, last_row = plot.columns - len(text), plot.rows - 1
    best, least = (0, 0), math.inf
    for spot in spots:
        column = plot.column + max(0, min(spot[0], last_column))
        row = plot.row + max(0, min(spot[1], last_row))
        hidden = canvas.busy(column, row, len(text))
        if hidden < least:
            best, least = (column, row), hidden
        if hidden == 0:
            break
    canvas.text(*best, text, style)


def say_in_the_middle(canvas: Canvas, text: str, style: Style) -> None:
    """Write a line of words in the middle of the canvas."""
    text = text[: canvas.columns]
    canvas.text((canvas.columns - len(text)) // 2, (canvas.rows - 1) // 2, text, style)
