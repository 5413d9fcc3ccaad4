"""The half-turn dial: where the lever of the unit is between stop and run.

The unit's output turns one way only, 0 to 360 degrees: 0 to 180 pulls the lever from stop to run,
180 to 360 brings it back.  The lever at the cable is at the same place at an angle and at 360
degrees less it, so the dial is a half circle on which the lever goes over and comes back; which
way it is going is told by the stretch it has travelled, drawn solid from the park it left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from rich.style import Style
from textual.reactive import reactive

from rig.console.drawing.canvas import DOTTED, SPARSE, Canvas, towards
from rig.console.drawing.drawn import Drawn

Park = Literal["stop", "run"]

NOT_KNOWN = "angle not known"
TROUBLE = frozenset({"stalled", "runs on", "stops short", "no movement"})
# From this size on there is room for thicker lines and one more line of words.
_LARGE_COLUMNS, _LARGE_ROWS = 32, 11
# Dots a cell, downwards, that allow thicker lines: braille has 4, blocks 2.
_FINE_DOWN = 4
# With less there is no room for a lever between its marks; the words remain.
_LEAST_RADIUS = 6
_PARKS: tuple[tuple[Park, float], ...] = (("stop", 0.0), ("run", 180.0))


def lever_deg(angle_deg: float) -> float:
    """Return where the lever is, 0 (stop) to 180 (run), at an angle of the unit's own turn."""
    turn = angle_deg % 360.0
    return min(turn, 360.0 - turn)


def heading(angle_deg: float | None, parked: Park | None) -> Park | None:
    """Return where the lever is going: by the angle, at a park or without one by the last park."""
    turn = None if angle_deg is None else angle_deg % 360.0
    if turn is not None and turn not in {0.0, 180.0}:
        return "run" if turn < 180.0 else "stop"
    if parked is None:
        return None
    return "run" if parked == "stop" else "stop"


@dataclass(frozen=True)
class _Shape:
    """Where the half circle lies, in dots; ``rows`` are the cells' rows above its words.

    ``weight``, 1 to 3, is how many dots lines are thick; the parks and the knob follow it.
    """

    centre: tuple[float, float]
    radius: float
    rows: int
    weight: int
    large: bool

    @property
    def clear_deg(self) -> float:
        """The angle that the mark of a park covers, with some room."""
        return math.degrees((self.weight + 2) / self.radius)

    def point(self, radius: float, degrees: float) -> tuple[float, float]:
        """Return a point as seen from the centre."""
        x, y = towards(self.centre, radius, np.array([degrees]))
        return float(x[0]), float(y[0])


class HalfTurnDial(Drawn):
    """Shows the lever's angle, its parks and what it is doing; about 22 x 7 or 40 x 14 cells.

    ``angle_deg``: estimated angle of the unit's own turn, 0 to 360; None: not known.
    ``uncertainty_deg``: its expanded uncertainty.  ``parked``: the park reached last.
    ``state``: "parked", "turning" and "stalled" are completed with where; any other words are
    shown as they are.
    """

    DEFAULT_CSS = """
    HalfTurnDial { width: 24; height: 7; }
    HalfTurnDial > .dial--scale { color: $foreground 50%; }
    HalfTurnDial > .dial--travelled { color: $primary; }
    HalfTurnDial > .dial--lever { color: $foreground; text-style: bold; }
    HalfTurnDial > .dial--doubt { color: $warning; }
    HalfTurnDial > .dial--word { color: $foreground 75%; }
    HalfTurnDial > .dial--state { color: $foreground; text-style: bold; }
    HalfTurnDial > .dial--trouble { color: $error; text-style: bold reverse; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "dial--scale",
        "dial--travelled",
        "dial--lever",
        "dial--doubt",
        "dial--word",
        "dial--state",
        "dial--trouble",
    }

    angle_deg: reactive[float | None] = reactive(None, repaint=False)
    uncertainty_deg: reactive[float | None] = reactive(None, repaint=False)
    state: reactive[str] = reactive("", repaint=False)
    parked: reactive[Park | None] = reactive(None, repaint=False)

    def watch_angle_deg(self) -> None:
        """Show the change."""
        self.redraw()

    watch_uncertainty_deg = watch_state = watch_parked = watch_angle_deg

    @property
    def in_words(self) -> str:
        """What the dial says under the half circle."""
        goal = heading(self.angle_deg, self.parked)
        if self.state == "parked" and self.parked is not None:
            return f"parked at {self.parked}"
        if self.state == "turning" and goal is not None:
            return f"turning to {goal}"
        if self.state == "stalled" and goal is not None:
            return f"stalled before {goal}"
        return self.state

    def draw(self, canvas: Canvas) -> None:
        """Draw half circle, lever and words as large as the canvas allows."""
        shape = _shape(canvas)
        if shape.radius >= _LEAST_RADIUS:
            self._scale(canvas, shape)
            if self.angle_deg is not None:
                if self.state != "parked":
                    self._travelled(canvas, shape, self.angle_deg)
                self._lever(canvas, shape, lever_deg(self.angle_deg))
            self._parks(canvas, shape)
        self._words(canvas, shape)

    def _scale(self, canvas: Canvas, shape: _Shape) -> None:
        layer = canvas.layer(self.ink("dial--scale"))
        clear = shape.clear_deg
        dash = DOTTED if shape.weight == 1 else SPARSE
        layer.arc(shape.centre, shape.radius, (clear, 180.0 - clear), dash)
        half_way = shape.point(shape.radius + shape.weight, 90.0)
        layer.line(half_way, shape.point(shape.radius, 90.0))

    def _travelled(self, canvas: Canvas, shape: _Shape, angle_deg: float) -> None:
        """Draw the stretch from the park it left, and how unsure the angle is."""
        at, clear, goal = lever_deg(angle_deg), shape.clear_deg, heading(angle_deg, self.parked)
        if goal == "run" and at > clear:
            stretch = (clear, at)
        elif goal == "stop" and at < 180.0 - clear:
            stretch = (180.0 - clear, at)
        else:
            return
        layer = canvas.layer(self.ink("dial--travelled"))
        for inwards in range(shape.weight):
            layer.arc(shape.centre, shape.radius - inwards, stretch)
        if self.uncertainty_deg and shape.weight > 1:
            doubt = canvas.layer(self.ink("dial--doubt"))
            low, high = at - self.uncertainty_deg, at + self.uncertainty_deg
            span = (max(clear, low), min(180.0 - clear, high))
            doubt.arc(shape.centre, shape.radius + 2, span)

    def _lever(self, canvas: Canvas, shape: _Shape, at_deg: float) -> None:
        layer, weight = canvas.layer(self.ink("dial--lever")), shape.weight
        # Ends short of the arc, so that knob and park never touch.
        reach = shape.radius - 2 * weight - 1
        for aside in range(weight):
            foot = shape.point(aside - (weight - 1) // 2, at_deg + 90.0)
            tip = towards(foot, reach, np.array([at_deg]))
            layer.line(foot, (float(tip[0][0]), float(tip[1][0])))
        layer.disc(shape.centre, weight - 0.5)
        layer.disc(shape.point(reach, at_deg), weight - 0.5)

    def _parks(self, canvas: Canvas, shape: _Shape) -> None:
        """Draw both parks: a filled square for the one reached last, else an open one."""
        layer, half = canvas.layer(self.ink("dial--lever")), shape.weight
        for park, at_deg in _PARKS:
            x, y = shape.point(shape.radius, at_deg)
            bits = np.ones((2 * half + 1, 2 * half + 1), dtype=np.bool_)
            bits[1:-1, 1:-1] = self.parked == park
            layer.bitmap(round(x) - half, round(y) - half, bits)

    def _words(self, canvas: Canvas, shape: _Shape) -> None:
        across, row, word = canvas.glyphs.across, shape.rows, self.ink("dial--word")
        middle = shape.centre[0] / across
        for park, at_deg in _PARKS:
            style = self.ink("dial--state") if self.parked == park else word
            _centred(
                canvas, shape.point(shape.radius, at_deg)[0] / across, row, park.upper(), style
            )
        if self.angle_deg is None:
            lines = [NOT_KNOWN] if shape.large or row < 2 else NOT_KNOWN.split(maxsplit=1)
            for above, line in enumerate(reversed(lines), start=1):
                _centred(canvas, middle, max(0, row - 1 - above), line, word)
        else:
            doubt = f" ±{self.uncertainty_deg:.0f}°" if self.uncertainty_deg else ""
            _centred(canvas, middle, row, f"{self.angle_deg % 360.0:.0f}°{doubt}", word)
        if self.state in TROUBLE:
            _centred(canvas, middle, row + 1, f" {self.in_words} ", self.ink("dial--trouble"))
        else:
            _centred(canvas, middle, row + 1, self.in_words, self.ink("dial--state"))
        if shape.large and self.parked is not None and self.state != "parked":
            _centred(canvas, middle, row + 2, f"last parked at {self.parked}", word)


def _shape(canvas: Canvas) -> _Shape:
    """Return the largest half circle with room for its words below and its marks around."""
    across, down = canvas.glyphs.across, canvas.glyphs.down
    large = canvas.columns >= _LARGE_COLUMNS and canvas.rows >= _LARGE_ROWS
    weight = (1 if down < _FINE_DOWN else 2) + large
    below = 3 if large else 2
    middle = (canvas.columns * across - 1) // 2
    radius = min(middle - weight - 1, (canvas.rows - below) * down - 2 * weight - 2)
    rows = -(-(radius + 2 * weight + 2) // down)
    rows = max(0, rows + (canvas.rows - below - rows) // 2)
    return _Shape((middle, rows * down - 1.0 - weight), radius, rows, weight, large)


def _centred(canvas: Canvas, column: float, row: int, text: str, style: Style) -> None:
    start = round(column - len(text) / 2 + 0.25)
    canvas.text(max(0, min(start, canvas.columns - len(text))), row, text, style)
