"""A control chart drawn: single checks, steps between them, or the smoothed value (EWMA)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np

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
from rig.console.drawing.canvas import DASHED, DOTTED, SPARSE, Area, Canvas
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.glyphs import Glyphs
from rig.console.drawing.scale import Scale
from rig.quality.control_chart import ALARMS, Chart, Limits, Point, Signal

Kind = Literal["values", "steps", "smoothed"]

TITLES: dict[Kind, str] = {
    "values": "single checks",
    "steps": "step from check to check",
    "smoothed": "smoothed (EWMA)",
}
# Which signals belong to which chart.
_SIGNALS: dict[Kind, frozenset[Signal]] = {
    "values": frozenset({Signal.BEYOND, Signal.TWO_OF_THREE, Signal.NINE_ON_ONE_SIDE}),
    "steps": frozenset({Signal.SPREAD}),
    "smoothed": frozenset({Signal.DRIFT}),
}
LEGEND = "· baseline   o in control   ? look   X out"
SHORT_LEGEND = "o in ? look X out"
_AXIS_LINE_ROWS = 9


@dataclass(frozen=True)
class _Drawing:
    """One chart's numbers: the curve, its limits by check, its marks."""

    curve: Sequence[float]  # NaN where there is none
    low: Sequence[float]
    high: Sequence[float]
    centre: float | None
    marks: Sequence[str]
    labels: Sequence[tuple[float, str]]


class ControlChartView(Drawn):
    """Draws one of a measure's charts; from 30 x 5 cells up.

    What a check came to is told by character: a dot in the baseline, o in control, ? worth a look,
    X out of control.
    """

    DEFAULT_CSS = """
    ControlChartView { height: 1fr; }
    ControlChartView > .control--line { color: $foreground 45%; }
    ControlChartView > .control--limit { color: $warning; }
    ControlChartView > .control--centre { color: $foreground 45%; }
    ControlChartView > .control--axis { color: $foreground 60%; }
    ControlChartView > .control--baseline { color: $foreground; text-style: bold; }
    ControlChartView > .control--good { color: $success; text-style: bold; }
    ControlChartView > .control--look { color: $warning; text-style: bold; }
    ControlChartView > .control--out { color: $error; text-style: bold reverse; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "control--line",
        "control--limit",
        "control--centre",
        "control--axis",
        "control--baseline",
        "control--good",
        "control--look",
        "control--out",
    }

    def __init__(
        self,
        kind: Kind,
        *,
        glyphs: Glyphs | None = None,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(glyphs=glyphs, id=id, classes=classes)
        self._kind = kind
        self._chart: Chart | None = None
        self._caption, self._why = "", ""

    def show(self, chart: Chart | None, *, caption: str = "", empty: str = "") -> None:
        """Show a chart; ``caption`` names measure and unit, ``empty`` is said if there is none."""
        self._chart, self._caption, self._why = chart, caption, empty
        self.redraw()

    def draw(self, canvas: Canvas) -> None:
        """Draw the chart, or say why there is none."""
        chart = self._chart
        if chart is None or not chart.points:
            say_in_the_middle(canvas, self._why, self.ink("control--axis"))
            return
        drawing = self._numbers_of(chart)
        if not any(map(math.isfinite, drawing.curve)):
            why = f"{TITLES[self._kind]}: from the check after the baseline on"
            say_in_the_middle(canvas, why, self.ink("control--axis"))
            return
        line = canvas.rows >= _AXIS_LINE_ROWS
        canvas.text(0, 0, self._head(canvas.columns), self.ink("control--axis"))
        low, high = _range(drawing)
        rows = max(1, canvas.rows - 2 - line)
        marks = y_ticks(low, high, rows)
        left = gutter(marks)
        area = Area(left, 1, max(1, canvas.columns - left), rows)
        value = Scale(low, high, rows * canvas.glyphs.down, upwards=True)
        draw_y_axis(canvas, area, value, marks, self.ink("control--axis"))
        along = self._x_axis(canvas, area, len(chart.points), line=line)
        self._lines(canvas, area, along, value, drawing, chart)
        self._marks(canvas, area, along, value, drawing)
        for at, label in drawing.labels:
            row = cell(value.at(at), canvas.glyphs.down)
            right = area.columns - len(label) - 1
            spots = [(c, r) for r in (row, row - 1, row + 1) for c in (right, 1, right // 2)]
            place(canvas, area, spots, label, self.ink("control--limit"))

    def _head(self, columns: int) -> str:
        caption = f"{self._caption}: {TITLES[self._kind]}"
        for legend in (LEGEND, SHORT_LEGEND):
            if len(caption) + 3 + len(legend) <= columns:
                return caption + legend.rjust(columns - len(caption))
        return caption[:columns]

    def _x_axis(self, canvas: Canvas, area: Area, count: int, *, line: bool) -> Scale:
        room = max(0.5, 0.03 * (count - 1))
        low, high = 1 - room, count + room
        scale = Scale(low, high, area.columns * canvas.glyphs.across)
        whole = [at for at, _ in x_ticks(low, high, area.columns, "") if at == int(at)]
        marks = [(at, f"{at:.0f}") for at in whole]
        draw_x_axis(canvas, area, scale, marks, self.ink("control--axis"), line=line)
        return scale

    def _lines(
        self,
        canvas: Canvas,
        area: Area,
        along: Scale,
        value: Scale,
        drawing: _Drawing,
        chart: Chart,
    ) -> None:
        x = along.dot(np.arange(1, len(drawing.curve) + 1, dtype=np.float64))
        centre = canvas.layer(self.ink("control--centre"), area)
        if drawing.centre is not None:
            centre.horizontal(round(value.at(drawing.centre)), DOTTED)
        if 0 < chart.baseline < len(chart.points):
            centre.vertical(along.at(chart.baseline + 0.5), DOTTED)
        limits = canvas.layer(self.ink("control--limit"), area)
        for ends in (drawing.low, drawing.high):
            limits.polyline(x, value.dot(ends), DASHED)
        curve = canvas.layer(self.ink("control--line"), area)
        curve.polyline(x, value.dot(drawing.curve), SPARSE)

    def _marks(
        self, canvas: Canvas, area: Area, along: Scale, value: Scale, drawing: _Drawing
    ) -> None:
        styles = {"·": "baseline", "o": "good", "?": "look", "X": "out"}
        for mark, style in styles.items():  # in this order: what is wrong lies on top
            for number, (of, its_mark) in enumerate(zip(drawing.curve, drawing.marks, strict=True)):
                if its_mark == mark and math.isfinite(of):
                    column = area.column + cell(along.at(number + 1), canvas.glyphs.across)
                    row = area.row + cell(value.at(of), canvas.glyphs.down)
                    canvas.text(column, row, mark, self.ink(f"control--{style}"))

    def _numbers_of(self, chart: Chart) -> _Drawing:
        points, limits = chart.points, chart.limits
        marks = [self._mark(point) for point in points]
        none = [math.nan] * len(points)
        match self._kind:
            case "values":
                curve = [point.value for point in points]
                if limits is None:
                    return _Drawing(curve, none, none, None, marks, ())
                low, high = [limits.low] * len(points), [limits.high] * len(points)
                return _Drawing(curve, low, high, limits.centre, marks, _ends(limits))
            case "steps":
                curve = [_number(point.step) for point in points]
                if limits is None:
                    return _Drawing(curve, none, none, None, marks, ())
                high = [limits.range_high] * len(points)
                label = (limits.range_high, f"limit {limits.shown(limits.range_high)}")
                return _Drawing(curve, none, high, limits.moving_range, marks, (label,))
            case _:
                curve = [_number(point.ewma) for point in points]
                low = [_number(point.ewma_low) for point in points]
                high = [_number(point.ewma_high) for point in points]
                centre = None if limits is None else limits.centre
                return _Drawing(curve, low, high, centre, marks, ())

    def _mark(self, point: Point) -> str:
        if point.ewma is None:
            return "·"
        signals = _SIGNALS[self._kind].intersection(point.signals)
        return "X" if signals & ALARMS else "?" if signals else "o"


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _ends(limits: Limits) -> tuple[tuple[float, str], ...]:
    return tuple((end, f"limit {limits.shown(end)}") for end in (limits.low, limits.high))


def _range(drawing: _Drawing) -> tuple[float, float]:
    ends = [
        number
        for numbers in (drawing.curve, drawing.low, drawing.high)
        for number in numbers
        if math.isfinite(number)
    ]
    low, high = min(ends), max(ends)
    room = 0.12 * (high - low) or 0.1 * abs(high) or 1.0
    return low - room, high + room
