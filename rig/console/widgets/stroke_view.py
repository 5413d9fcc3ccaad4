"""The stroke drawn: current for friction and load over the lever's position, both ways."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np

from rig.analysis.binding import Bind
from rig.analysis.model import Direction
from rig.console.drawing.axes import (
    cell,
    draw_x_axis,
    draw_y_axis,
    gutter,
    say_in_the_middle,
    x_ticks,
    y_ticks,
)
from rig.console.drawing.canvas import DASHED, Area, Canvas
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.legend import draw_legend
from rig.console.drawing.scale import Scale
from rig.diagnosis.model import Stroke

NO_STROKE = "no half-turn parked: no stroke to draw"
LEVER_DEG = 180.0
# A load axis at least this high, so that noise about nothing is not drawn as hills (A).
LEAST_A = 1.0
BIND = "B"


class StrokeView(Drawn):
    """Draws mean strokes; from 40 x 8 cells up.

    The way to run is a whole line, the way to stop a dashed one; a B stands over each bind.
    """

    DEFAULT_CSS = """
    StrokeView { height: 10; }
    StrokeView > .stroke--to-run { color: $primary; }
    StrokeView > .stroke--to-stop { color: $foreground; }
    StrokeView > .stroke--axis { color: $foreground 60%; }
    StrokeView > .stroke--bind { color: $error; text-style: bold reverse; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "stroke--to-run",
        "stroke--to-stop",
        "stroke--axis",
        "stroke--bind",
    }

    def __init__(self, strokes: Sequence[Stroke] = (), binds: Sequence[Bind] = ()) -> None:
        super().__init__()
        self._strokes = tuple(strokes)
        self._binds = tuple(binds)

    def draw(self, canvas: Canvas) -> None:
        """Draw both ways, or say why there is nothing."""
        seen = [s for s in self._strokes if np.isfinite(s.profile.load_a).any()]
        if not seen:
            say_in_the_middle(canvas, NO_STROKE, self.ink("stroke--axis"))
            return
        rows = max(1, canvas.rows - 3)
        most = max(float(np.nanmax(s.profile.load_a)) for s in seen)
        least = min(float(np.nanmin(s.profile.load_a)) for s in seen)
        low, high = min(0.0, least), max(1.15 * most, LEAST_A)
        marks = y_ticks(low, high, rows)
        left = gutter(marks)
        area = Area(left, 1, max(1, canvas.columns - left), rows)
        value = Scale(low, high, rows * canvas.glyphs.down, upwards=True)
        along = Scale(0.0, LEVER_DEG, area.columns * canvas.glyphs.across)
        draw_y_axis(canvas, area, value, marks, self.ink("stroke--axis"))
        ticks = x_ticks(0.0, LEVER_DEG, area.columns, "deg")
        draw_x_axis(canvas, area, along, ticks, self.ink("stroke--axis"), line=True)
        self._legend(canvas, left, seen)
        for stroke in seen:
            to_run = stroke.profile.direction is Direction.TO_RUN
            layer = canvas.layer(self.ink(_ink(stroke)), area)
            x, y = along.dot(stroke.profile.lever_deg), value.dot(stroke.profile.load_a)
            layer.polyline(x, y, None if to_run else DASHED)
        for bind in self._binds:
            column = area.column + cell(along.at(bind.lever_deg), canvas.glyphs.across)
            canvas.text(column, area.row, BIND, self.ink("stroke--bind"))

    def _legend(self, canvas: Canvas, left: int, seen: Sequence[Stroke]) -> None:
        entries = [
            (
                str(stroke.profile.direction).replace("_", " "),
                self.ink(_ink(stroke)),
                None if stroke.profile.direction is Direction.TO_RUN else DASHED,
            )
            for stroke in seen
        ]
        draw_legend(canvas, 0, left, entries, self.ink("stroke--axis"))
        words = "A over the lever (0 stop, 180 run)" + (f"   {BIND} binds" if self._binds else "")
        canvas.text(max(left - 2, 0), 0, words, self.ink("stroke--axis"))


def _ink(stroke: Stroke) -> str:
    to_run = stroke.profile.direction is Direction.TO_RUN
    return "stroke--to-run" if to_run else "stroke--to-stop"
