"""The line above a plot that says what its lines mean."""

from __future__ import annotations

from collections.abc import Sequence

from rich.style import Style

from rig.console.drawing.canvas import Area, Canvas, Dash

Entry = tuple[str, Style, Dash | None]
"""A name, and the style and dash of its line."""

_SAMPLE = 4  # cells of line before a name
_GAP = 3


def draw_legend(
    canvas: Canvas, row: int, first_column: int, entries: Sequence[Entry], words: Style
) -> None:
    """Write names, each after a sample of its line, against the right edge.

    Entries that do not fit are left out, the last ones first.
    """
    entries = list(entries)
    while entries and _length(entries) > canvas.columns - first_column:
        entries.pop()
    column = canvas.columns - _length(entries) + _GAP
    for text, style, dash in entries:
        sample = canvas.layer(style, Area(column, row, _SAMPLE, 1))
        sample.horizontal((sample.height - 1) // 2, dash)
        canvas.text(column + _SAMPLE + 1, row, text, words)
        column += _SAMPLE + 1 + len(text) + _GAP


def _length(entries: Sequence[Entry]) -> int:
    """Return the length of all entries with a gap before each, in cells."""
    return sum(_GAP + _SAMPLE + 1 + len(text) for text, _, _ in entries)
