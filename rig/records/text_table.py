"""A table of texts, as wide as a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import zip_longest
from textwrap import wrap

WIDTH = 80


def table_text(rows: list[list[str]], shrinkable: tuple[int, ...], *, whole: bool = False) -> str:
    """Return rows under each other; the widest shrinkable column gives way until 80 columns do.

    What does not fit is cut; ``whole``: it goes on in the next line, for names that must not look
    alike.
    """
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    gap = 2 if sum(widths) + 2 * (len(widths) - 1) <= WIDTH else 1
    excess = sum(widths) + gap * (len(widths) - 1) - WIDTH
    for _ in range(max(excess, 0)):
        if shrinkable:
            widths[max(shrinkable, key=lambda at: widths[at])] -= 1
    if whole:
        rows = [line for row in rows for line in _lines(row, widths)]
    return "".join(_row(row, widths, gap) for row in rows)


def _lines(row: list[str], widths: list[int]) -> Iterator[list[str]]:
    cells = [wrap(cell, max(width, 1)) for cell, width in zip(row, widths, strict=True)]
    for line in zip_longest(*cells, fillvalue=""):
        yield list(line)


def _row(row: list[str], widths: list[int], gap: int) -> str:
    cells = [_cut(cell, width).ljust(width) for cell, width in zip(row, widths, strict=True)]
    return (" " * gap).join(cells).rstrip() + "\n"


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
