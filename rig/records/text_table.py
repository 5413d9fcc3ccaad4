"""A table of texts, as wide as a terminal."""

from __future__ import annotations

WIDTH = 80


def table_text(
    rows: list[list[str]], shrinkable: tuple[int, ...], *, in_the_middle: bool = False
) -> str:
    """Return rows under each other; the widest shrinkable column gives way until 80 columns do.

    ``in_the_middle``: cells are cut there, where names are told apart by their ends.
    """
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    gap = 2 if sum(widths) + 2 * (len(widths) - 1) <= WIDTH else 1
    excess = sum(widths) + gap * (len(widths) - 1) - WIDTH
    for _ in range(max(excess, 0)):
        if shrinkable:
            widths[max(shrinkable, key=lambda at: widths[at])] -= 1
    return "".join(_row(row, widths, gap, in_the_middle) for row in rows)


def _row(row: list[str], widths: list[int], gap: int, in_the_middle: bool) -> str:
    cells = [
        _cut(cell, width, (width - 1) // 2 if in_the_middle else 0).ljust(width)
        for cell, width in zip(row, widths, strict=True)
    ]
    return (" " * gap).join(cells).rstrip() + "\n"


def _cut(text: str, width: int, of_its_end: int) -> str:
    if len(text) <= width:
        return text
    return text[: width - 1 - of_its_end] + "…" + text[len(text) - of_its_end :]
