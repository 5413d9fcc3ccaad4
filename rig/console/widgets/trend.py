"""The trend: one measure of a unit over its runs, each with its uncertainty and verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from rig.analysis.model import Verdict
from rig.console.drawing.axes import (
    cell,
    draw_x_axis,
    draw_y_axis,
    gutter,
    place,
    say_in_the_middle,
    x_ticks,
    y_ticks,
)
from rig.console.drawing.canvas import DASHED, SPARSE, Area, Canvas
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.glyphs import Glyphs
from rig.console.drawing.scale import Scale, StableRange

# In this order, so that a failure is never hidden by another run in the same cell.
MARKS: dict[Verdict | None, str] = {
    None: "·",
    Verdict.PASS: "o",
    Verdict.RETEST: "?",
    Verdict.FAIL: "X",
}
LEGEND = "o pass   X fail   ? retest   bar: uncertainty"
SHORT_LEGEND = "o pass X fail ? retest"
NO_RUNS = "no runs yet"
_AXIS_LINE_ROWS = 8


@dataclass(frozen=True)
class TrendPoint:
    """One run: its number, the measured value, its expanded uncertainty, its verdict."""

    number: int
    value: float
    uncertainty: float | None = None
    verdict: Verdict | None = None


@dataclass(frozen=True)
class TrendLimit:
    """A limit of the measure, in its unit, with its label."""

    value: float
    label: str


class TrendView(Drawn):
    """Draws a unit's history; from 30 x 6 cells up.

    Verdicts are told by character: o pass, X fail, ? retest, a dot for none.
    """

    DEFAULT_CSS = """
    TrendView { height: 1fr; }
    TrendView > .trend--line { color: $foreground 45%; }
    TrendView > .trend--bar { color: $primary; }
    TrendView > .trend--limit { color: $warning; }
    TrendView > .trend--axis { color: $foreground 60%; }
    TrendView > .trend--none { color: $foreground; text-style: bold; }
    TrendView > .trend--pass { color: $success; text-style: bold; }
    TrendView > .trend--retest { color: $warning; text-style: bold; }
    TrendView > .trend--fail { color: $error; text-style: bold reverse; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "trend--line",
        "trend--bar",
        "trend--limit",
        "trend--axis",
        "trend--none",
        "trend--pass",
        "trend--retest",
        "trend--fail",
    }

    def __init__(
        self,
        *,
        glyphs: Glyphs | None = None,
        name: str | None = None,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(glyphs=glyphs, name=name, id=id, classes=classes)
        self._points: list[TrendPoint] = []
        self._limits: list[TrendLimit] = []
        self._caption, self._why = "", NO_RUNS

    def show(
        self,
        points: Sequence[TrendPoint],
        limits: Sequence[TrendLimit] = (),
        *,
        caption: str = "",
        empty: str = NO_RUNS,
    ) -> None:
        """Show runs; ``caption`` names the measure and its unit.

        A value that is not finite is left out.  ``empty`` is said when there is none to draw.
        """
        self._points = sorted((p for p in points if math.isfinite(p.value)), key=lambda p: p.number)
        self._limits = [limit for limit in limits if math.isfinite(limit.value)]
        self._caption, self._why = caption, empty
        self.redraw()

    def draw(self, canvas: Canvas) -> None:
        """Draw the history, or say why there is none."""
        if not self._points:
            say_in_the_middle(canvas, self._why, self.ink("trend--axis"))
            return
        line = canvas.rows >= _AXIS_LINE_ROWS
        head = self._head(canvas)
        for row, text in enumerate(head):
            canvas.text(0, row, text, self.ink("trend--axis"))
        low, high = self._range()
        rows = max(1, canvas.rows - len(head) - 1 - line)
        marks = y_ticks(low, high, rows)
        left = gutter(marks)
        area = Area(left, len(head), max(1, canvas.columns - left), rows)
        value = Scale(low, high, rows * canvas.glyphs.down, upwards=True)
        draw_y_axis(canvas, area, value, marks, self.ink("trend--axis"))
        along = self._x_axis(canvas, area, line=line)
        self._lines(canvas, area, along, value)
        self._verdicts(canvas, area, along, value)
        self._limit_words(canvas, area, value)

    def _range(self) -> tuple[float, float]:
        reach = [p.uncertainty or 0.0 for p in self._points]
        ends = [limit.value for limit in self._limits]
        low = min([*ends, *(p.value - u for p, u in zip(self._points, reach, strict=True))])
        high = max([*ends, *(p.value + u for p, u in zip(self._points, reach, strict=True))])
        room = 0.08 * (high - low)
        # A history of equal values is drawn as a line in the middle, not as one of huge steps.
        least = 0.1 * max(abs(low), abs(high)) or 1.0
        return StableRange(least=least, from_zero=False).follow(low - room, high + room)

    def _x_axis(self, canvas: Canvas, area: Area, *, line: bool) -> Scale:
        first, last = self._points[0].number, self._points[-1].number
        room = max(0.5, 0.03 * (last - first))
        low, high = first - room, last + room
        scale = Scale(low, high, area.columns * canvas.glyphs.across)
        whole = [at for at, _ in x_ticks(low, high, area.columns, "") if at == int(at)]
        marks = [(at, f"{at:.0f}") for at in whole]
        draw_x_axis(canvas, area, scale, marks, self.ink("trend--axis"), line=line)
        return scale

    def _lines(self, canvas: Canvas, area: Area, along: Scale, value: Scale) -> None:
        x = along.dot([p.number for p in self._points])
        values = np.array([p.value for p in self._points])
        canvas.layer(self.ink("trend--line"), area).polyline(x, value.dot(values), SPARSE)
        limits = canvas.layer(self.ink("trend--limit"), area)
        for limit in self._limits:
            limits.horizontal(round(value.at(limit.value)), DASHED)
        reach = np.array([p.uncertainty or np.nan for p in self._points])
        ends = np.stack([values - reach, values + reach, np.full(len(values), np.nan)], axis=1)
        bars = canvas.layer(self.ink("trend--bar"), area)
        bars.polyline(np.repeat(np.round(x), 3), value.dot(ends.ravel()))

    def _verdicts(self, canvas: Canvas, area: Area, along: Scale, value: Scale) -> None:
        for verdict, mark in MARKS.items():
            style = self.ink(f"trend--{verdict or 'none'}")
            for point in self._points:
                if point.verdict == verdict:
                    column = area.column + cell(along.at(point.number), canvas.glyphs.across)
                    row = area.row + cell(value.at(point.value), canvas.glyphs.down)
                    canvas.text(column, row, mark, style)

    def _limit_words(self, canvas: Canvas, area: Area, value: Scale) -> None:
        for limit in self._limits:
            row = cell(value.at(limit.value), canvas.glyphs.down)
            right = area.columns - len(limit.label) - 1
            lines = [line for line in (row, row - 1, row + 1) if 0 <= line < area.rows]
            spots = [(column, line) for line in lines for column in (right, 1, right // 2)]
            place(canvas, area, spots, limit.label, self.ink("trend--limit"))

    def _head(self, canvas: Canvas) -> list[str]:
        """Return the lines above the plot: caption and legend, in one line if both fit."""
        room = canvas.columns - len(self._caption) - 3
        for legend in (LEGEND, SHORT_LEGEND):
            if len(legend) <= room:
                return [self._caption + legend.rjust(canvas.columns - len(self._caption))]
        if canvas.rows >= _AXIS_LINE_ROWS:
            return [self._caption, SHORT_LEGEND]
        return [SHORT_LEGEND]
