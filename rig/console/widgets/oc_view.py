"""The operating characteristic of a lot's plan drawn: how likely which quality is accepted."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from rig.console.drawing.axes import (
    cell,
    draw_x_axis,
    draw_y_axis,
    gutter,
    place,
    say_in_the_middle,
    x_ticks,
)
from rig.console.drawing.canvas import DASHED, Area, Canvas
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.scale import Scale
from rig.lots.worth import LotWorth
from rig.quality.lots import OcCurve, Point
from rig.records.lot_model import LotKept

_LEAST = (24, 6)
_AXIS_LINE_ROWS = 10
_TENTHS = [(0.0, "0"), (0.5, "50"), (1.0, "100 %")]
_AQL_TIMES = 1.5  # how much of the axis the AQL has at least, as in the picture of `rig.lots.curve`


class OcView(Drawn):
    """Draws the curve of a process, this lot's dots, the AQL, and the qualities that are told.

    From 24 x 6 cells up.  The AQL is the dashed line, a quality told an o with its per cent.
    """

    DEFAULT_CSS = """
    OcView { height: 1fr; }
    OcView > .oc--process { color: $primary; }
    OcView > .oc--lot { color: $success; }
    OcView > .oc--aql { color: $warning; }
    OcView > .oc--axis { color: $foreground 60%; }
    OcView > .oc--mark { color: $foreground; text-style: bold; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "oc--process",
        "oc--lot",
        "oc--aql",
        "oc--axis",
        "oc--mark",
    }

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._lot: LotKept | None = None
        self._curve: OcCurve | None = None
        self._worth: LotWorth | None = None

    def show(self, lot: LotKept, curve: OcCurve, worth: LotWorth) -> None:
        """Show a lot's curve, and what it is worth."""
        self._lot, self._curve, self._worth = lot, curve, worth
        self.redraw()

    def draw(self, canvas: Canvas) -> None:
        """Draw the curve, or say that there is no room."""
        lot, curve, worth = self._lot, self._curve, self._worth
        if lot is None or curve is None or worth is None:
            return
        if canvas.columns < _LEAST[0] or canvas.rows < _LEAST[1]:
            say_in_the_middle(canvas, "curve: more room, please", self.ink("oc--axis"))
            return
        axis = self.ink("oc--axis")
        line = canvas.rows >= _AXIS_LINE_ROWS
        left = gutter(_TENTHS)
        area = Area(left, 1, canvas.columns - left, canvas.rows - 2 - line)
        end = max(curve.process[-1].percent, _AQL_TIMES * lot.aql)
        along = Scale(0.0, end, area.columns * canvas.glyphs.across)
        up = Scale(0.0, 1.0, area.rows * canvas.glyphs.down, upwards=True)
        draw_y_axis(canvas, area, up, _TENTHS, axis)
        draw_x_axis(canvas, area, along, x_ticks(0.0, end, area.columns, "%"), axis, line=line)
        head = "accepted, by % nonconforming"
        canvas.text(0, 0, head[: canvas.columns], axis)
        marks = "── a process  ·· this lot"
        if len(head) + 2 + len(marks) <= canvas.columns:
            canvas.text(canvas.columns - len(marks), 0, marks, axis)
        canvas.layer(self.ink("oc--aql"), area).vertical(along.at(lot.aql), DASHED)
        self._points(canvas, area, along, up, curve.lot, "oc--lot", joined=False)
        self._points(canvas, area, along, up, curve.process, "oc--process", joined=True)
        spots = [(cell(along.at(lot.aql), canvas.glyphs.across) + 1, area.rows - 1)]
        place(canvas, area, spots, f"AQL {lot.aql:g} %", self.ink("oc--aql"))
        for quality in worth.qualities:
            column = cell(along.at(quality.percent), canvas.glyphs.across)
            row = cell(up.at(quality.accepted), canvas.glyphs.down)
            canvas.text(area.column + column, area.row + row, "o", self.ink("oc--mark"))
            said = f"{100 * quality.accepted:.0f} % at {quality.percent:.3g}"
            beside = [(column + 2, row + by) for by in (0, 1, -1)]
            place(canvas, area, beside, said, self.ink("oc--mark"))

    def _points(
        self,
        canvas: Canvas,
        area: Area,
        along: Scale,
        up: Scale,
        points: tuple[Point, ...],
        ink: str,
        *,
        joined: bool,
    ) -> None:
        layer = canvas.layer(self.ink(ink), area)
        x = along.dot(np.array([point.percent for point in points]))
        y = up.dot(np.array([point.accepted for point in points]))
        if joined:
            layer.polyline(x, y)
        else:
            layer.points(x, y)
