"""Series, limits and marks drawn into one plot area of a canvas."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from rich.style import Style

from rig.console.drawing.axes import cell, place
from rig.console.drawing.canvas import DASHED, DOTTED, Area, Canvas, Dash, Layer
from rig.console.drawing.scale import Scale
from rig.console.drawing.series import LimitLine, Mark, Series, Tone

# How each tone is told from the others without colour.
DASHES: dict[Tone, Dash | None] = {"now": None, "before": DOTTED, "other": (5, 2)}

# In fewer rows a limit outside the window is not told: its words would hide the trace.
_ROWS_FOR_FAR_LIMITS = 6

_GAP = np.array([np.nan])

Ink = Callable[[str], Style]
"""The style by the last part of a component class: "now", "limit", ..."""


@dataclass(frozen=True)
class Plot:
    """A plot area with its two scales, in the area's dots."""

    canvas: Canvas
    area: Area
    time: Scale
    value: Scale
    ink: Ink

    def draw(
        self, series: Sequence[Series], limits: Sequence[LimitLine], marks: Sequence[Mark]
    ) -> None:
        """Draw from the back to the front: limits, series by tone, what went wrong; then words."""
        self._limit_lines(limits)
        behind: list[Layer] = []
        for tone in ("before", "other", "now"):
            toned = [s for s in series if s.tone == tone]
            if toned:
                behind.append(self._tone(toned, tone, behind))
        self._mark_lines(marks)
        clipped = [s for s in series if s.clipped_at is not None]
        self._clipped(clipped)
        self._words(limits, marks, clipped)

    def _tone(self, series: Sequence[Series], tone: Tone, behind: Sequence[Layer]) -> Layer:
        """Draw the series of one tone; the present one hides those behind it, never a limit."""
        covers = tuple(behind) if tone == "now" else ()
        layer = self.canvas.layer(self.ink(tone), self.area, covers=covers)
        # In one go, a gap after each: ten series cost little more than two.
        time_s = np.concatenate([part for one in series for part in (one.time_s, _GAP)])
        value = np.concatenate([part for one in series for part in (one.value, _GAP)])
        layer.polyline(self.time.dot(time_s), self.value.dot(value), DASHES[tone])
        return layer

    def _limit_lines(self, limits: Sequence[LimitLine]) -> None:
        if not limits:
            return
        layer = self.canvas.layer(self.ink("limit"), self.area)
        for limit in limits:
            if limit.axis == "current":
                layer.horizontal(round(self.value.at(limit.value)), DASHED)
            else:
                layer.vertical(round(self.time.at(limit.value)), DASHED)

    def _mark_lines(self, marks: Sequence[Mark]) -> None:
        if not marks:
            return
        layer = self.canvas.layer(self.ink("mark"), self.area)
        for mark in marks:
            layer.vertical(self.time.at(mark.time_s), DOTTED)

    def _clipped(self, series: Sequence[Series]) -> None:
        """Thicken the stretches at the end of the sensor's range to a bar."""
        if not series:
            return
        layer = self.canvas.layer(self.ink("clipped"), self.area)
        for one in series:
            time = self.time.dot(one.time_s)
            value = self.value.dot(one.clipped_value)
            for above in (-1.0, 0.0, 1.0):
                layer.polyline(time, value + above)

    def _words(
        self, limits: Sequence[LimitLine], marks: Sequence[Mark], clipped: Sequence[Series]
    ) -> None:
        for mark in marks:
            column = cell(self.time.at(mark.time_s), self.canvas.glyphs.across)
            if 0 <= column < self.area.columns:
                text = f" {mark.text} "
                spots = [(c, r) for r in range(3) for c in (column, column - len(text) + 1)]
                place(self.canvas, self.area, spots, text, self.ink("mark-word"))
        for one in clipped:
            self._clipped_word(one)
        for limit in limits:
            if limit.axis == "current":
                self._current_word(limit)
            else:
                self._time_word(limit)

    def _clipped_word(self, one: Series) -> None:
        at = one.clipped_at
        if at is None:
            return
        row = cell(self.value.at(float(one.value[at])), self.canvas.glyphs.down)
        column = cell(self.time.at(float(one.time_s[at])), self.canvas.glyphs.across)
        if 0 <= column < self.area.columns:
            spots = [(column, row - 1), (column, row + 1), (column - 8, row), (column + 2, row)]
            place(self.canvas, self.area, spots, "clipped", self.ink("clipped"))

    def _current_word(self, limit: LimitLine) -> None:
        text, down = limit.label, self.canvas.glyphs.down
        row = cell(self.value.at(limit.value), down)
        right = self.area.columns - len(text)
        if row < 0 and self.area.rows >= _ROWS_FOR_FAR_LIMITS:
            text += " (above)"
            right -= len(" (above)") + 1
            spots = [(right, 0), (1, 0), (right, 1)]
            place(self.canvas, self.area, spots, text, self.ink("limit"))
        elif 0 <= row < self.area.rows:
            spots = [
                (column, line)
                for line in (row, row - 1, row + 1)
                if 0 <= line < self.area.rows
                for column in (right - 1, 1, right // 2)
            ]
            place(self.canvas, self.area, spots, text, self.ink("limit"))

    def _time_word(self, limit: LimitLine) -> None:
        text, last = limit.label, self.area.rows - 1
        column = cell(self.time.at(limit.value), self.canvas.glyphs.across)
        if column >= self.area.columns:
            if self.area.rows < _ROWS_FOR_FAR_LIMITS:
                return
            text, column = text + " (later)", self.area.columns
            spots = [(column - len(text), row) for row in range(min(4, self.area.rows))]
        elif column < 0:
            return
        else:
            beside = (column + 2, column - len(text) - 1)
            fits = [c for c in beside if 0 <= c <= self.area.columns - len(text)] or [column]
            rows = [row for row in (0, 1, 2, last // 2) if row <= last]
            spots = [(c, row) for row in rows for c in fits]
        place(self.canvas, self.area, spots, text, self.ink("limit"))
