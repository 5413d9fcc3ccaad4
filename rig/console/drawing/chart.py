"""A whole trace drawing: where plots, axes and legend go in the room there is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.console.drawing.axes import draw_x_axis, draw_y_axis, gutter, place, x_ticks, y_ticks
from rig.console.drawing.canvas import Area, Canvas
from rig.console.drawing.legend import Entry, draw_legend
from rig.console.drawing.plot import DASHES, Ink, Plot
from rig.console.drawing.scale import Scale
from rig.console.drawing.series import LimitLine, Mark, Series, Tone, Window

# Below these sizes the voltage would take room the current needs.
_VOLTAGE_ROWS, _VOLTAGE_COLUMNS = 18, 70
_LEGEND_ROWS, _AXIS_LINE_ROWS = 9, 8
# A y axis at least this wide, so that the plot does not shift when a value gets a second digit.
_LEAST_GUTTER = 3

Range = tuple[float, float]


@dataclass(frozen=True)
class Chart:
    """What is to be drawn: series by quantity, limits, marks, the axes' ranges and styles."""

    current: Sequence[Series]
    voltage: Sequence[Series]
    limits: Sequence[LimitLine]
    marks: Sequence[Mark]
    window: Window
    current_a: Range
    voltage_v: Range
    ink: Ink
    stale: bool = False

    def draw(self, canvas: Canvas) -> None:
        """Draw everything on the whole canvas."""
        legend = canvas.rows >= _LEGEND_ROWS
        line = canvas.rows >= _AXIS_LINE_ROWS
        rows = max(1, canvas.rows - legend - 1 - line)
        roomy = canvas.rows >= _VOLTAGE_ROWS and canvas.columns >= _VOLTAGE_COLUMNS
        band = max(4, rows // 4) if self.voltage and roomy else 0
        ticks_a = y_ticks(*self.current_a, rows - band)
        ticks_v = y_ticks(*self.voltage_v, band - 1)
        left = max(_LEAST_GUTTER, gutter(ticks_a), gutter(ticks_v) if band else 0)
        columns = max(1, canvas.columns - left)
        area = Area(left, legend + band, columns, rows - band)
        if band:
            self._voltage_band(canvas, Area(left, legend, columns, band - 1), ticks_v)
        self._plot(canvas, area, self.current_a, ticks_a).draw(
            self.current, self.limits, self.marks
        )
        self._time_axis(canvas, area, line=line)
        if legend:
            canvas.text(left - 2, legend + band - 1, "A", self.ink("axis"))
            draw_legend(canvas, 0, left, self._entries(with_voltage=band > 0), self.ink("axis"))
        else:
            canvas.text(left, 0, "A", self.ink("axis"))
        if self.stale:
            spots = [(column, row) for row in (0, 1) for column in (2, columns // 2)]
            place(canvas, area, spots, " old ", self.ink("mark-word"))

    def _voltage_band(self, canvas: Canvas, area: Area, marks: list[tuple[float, str]]) -> None:
        plot = self._plot(canvas, area, self.voltage_v, marks)
        layer = canvas.layer(self.ink("voltage"), area)
        for one in self.voltage:
            layer.polyline(plot.time.dot(one.time_s), plot.value.dot(one.value), DASHES[one.tone])
        canvas.text(area.column - 2, area.row - 1, "V", self.ink("axis"))

    def _plot(
        self, canvas: Canvas, area: Area, span: Range, marks: list[tuple[float, str]]
    ) -> Plot:
        """Return the plot of an area, its y axis drawn."""
        across, down = canvas.glyphs.across, canvas.glyphs.down
        height = area.rows * down
        # A rest level of zero with its noise shows above the lowest dots.
        spare = (span[1] - span[0]) * (down // 2) / height
        value = Scale(span[0] - spare, span[1], height, upwards=True)
        draw_y_axis(canvas, area, value, marks, self.ink("axis"))
        time = Scale(self.window.start_s, self.window.end_s, area.columns * across)
        return Plot(canvas, area, time, value, self.ink)

    def _time_axis(self, canvas: Canvas, area: Area, *, line: bool) -> None:
        start_s = self.window.start_s - self.window.zero_s
        end_s = self.window.end_s - self.window.zero_s
        scale = Scale(start_s, end_s, area.columns * canvas.glyphs.across)
        marks = x_ticks(start_s, end_s, area.columns, "s")
        draw_x_axis(canvas, area, scale, marks, self.ink("axis"), line=line)

    def _entries(self, *, with_voltage: bool) -> list[Entry]:
        tones: tuple[Tone, ...] = ("now", "other", "before")
        entries = []
        for tone in tones:
            label = _label(self.current, tone)
            if label:
                entries.append((label, self.ink(tone), DASHES[tone]))
        if with_voltage:
            label = _label(self.voltage, "now") or "voltage"
            entries.append((label, self.ink("voltage"), None))
        return entries


def _label(series: Sequence[Series], tone: Tone) -> str:
    """Return the name of the series of a tone: the first one's."""
    return next((one.label for one in series if one.tone == tone and one.label), "")
