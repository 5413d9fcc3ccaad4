"""How far the plan is: a line, or a list of its steps."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.widgets import Static

from rig.console.plan_progress import StepRow

# A bar of more cells than this says no more.
_BAR = 20
_OVER, _ON, _TO_COME = "█", "▒", "░"


class ProgressLine(Static):
    """One row: a bar of the steps, the one that is on, and what comes next."""

    DEFAULT_CSS = """
    ProgressLine { height: 1; padding: 0 1; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.rows: tuple[StepRow, ...] = ()

    def show(self, rows: Sequence[StepRow], *, is_open: bool = False) -> None:
        """Show ``rows``, of how many is not known if ``is_open``; cheap if they are shown."""
        if tuple(rows) != self.rows:
            self.rows = tuple(rows)
            self.update(self._line(is_open))

    def _line(self, is_open: bool) -> Text:
        rows = self.rows
        if not rows:
            return Text()
        done = sum(row.word == "done" for row in rows)
        odd = [f"{row.title} {row.word}" for row in rows if row.over and row.word != "done"]
        on = next((row for row in rows if row.begun and not row.over), None)
        after = [row.title for row in rows if row.word == "to come"]
        of_all = "" if is_open else f" of {len(rows)}"
        words = ", ".join([f"{done}{of_all} steps done", *odd])
        if on is not None:
            words = f"step {on.number}{of_all}: {on.title}"
        text = Text.assemble(bar(rows), "  ", (words, "bold"))
        if after:
            text.append(f"  then {', '.join(after)}", style="dim")
        return text


def bar(rows: Sequence[StepRow]) -> str:
    """Return a bar of the steps: over, on, to come; one cell a step, of many steps a share."""
    cells = min(len(rows), _BAR)
    picked = [rows[cell * len(rows) // cells] for cell in range(cells)]
    return "".join(_OVER if row.over else _ON if row.begun else _TO_COME for row in picked)


class StepList(Static):
    """The plan's steps, a row each, with how they stand; what does not fit is left out."""

    DEFAULT_CSS = """
    StepList { height: 1fr; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.rows: tuple[StepRow, ...] = ()

    def show(self, rows: Sequence[StepRow]) -> None:
        """Show ``rows``; cheap if they are shown already."""
        if tuple(rows) != self.rows:
            self.rows = tuple(rows)
            self._draw()

    def on_resize(self) -> None:
        """Fit to the new size."""
        self._draw()

    def _draw(self) -> None:
        width, height = self.content_size.width, self.content_size.height
        if width < 1 or height < 1:
            return
        rows = _about_present(self.rows, height)
        self.update(Text("\n").join(_row(row, width) for row in rows))


def _about_present(rows: Sequence[StepRow], height: int) -> Sequence[StepRow]:
    """Return as many rows as fit, the one that is on among them."""
    begun = sum(row.begun for row in rows)
    first = max(0, min(begun - (height + 1) // 2, len(rows) - height))
    return rows[first : first + height]


def _row(row: StepRow, width: int) -> Text:
    on = row.begun and not row.over
    mark = _OVER if row.over else _ON if on else _TO_COME
    room = width - len(row.word) - 6
    title = row.title[: max(0, room)]
    style = "bold" if on else "" if row.over else "dim"
    odd = row.over and row.word != "done"
    return Text.assemble(
        f"{mark} ",
        (f"{row.number:>2} {title:<{room}} ", style),
        (row.word, "bold reverse" if odd or on else style),
        no_wrap=True,
    )
