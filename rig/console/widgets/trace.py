"""The trace: current over time, with limits, earlier half-turns behind it, and what went wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar

from rich.style import Style
from textual.reactive import reactive

from rig.console.drawing.axes import say_in_the_middle
from rig.console.drawing.canvas import Canvas
from rig.console.drawing.chart import Chart, Range
from rig.console.drawing.drawn import Drawn
from rig.console.drawing.glyphs import Glyphs
from rig.console.drawing.scale import StableRange
from rig.console.drawing.series import LimitLine, Mark, Series, Window

__all__ = ["LimitLine", "Mark", "Series", "TraceView", "Window"]

NO_SAMPLES = "no samples yet"
# A limit further above the values than this would press them flat; it is told in words instead.
_WORTH_REACHING = 1.6
# Room above the highest value, so that a peak is seen to be one.
_HEADROOM = 1.05
# No smaller range of current than this: it would fill the drawing with noise.
_LEAST_A = 2.0


class TraceView(Drawn):
    """Draws current (A) against time (s); from 30 x 6 cells up.

    Where there is room, voltage series (V) are drawn in a band of their own above the current.
    ``stale`` says that the values are old: told in a word and in a fainter tone.
    """

    DEFAULT_CSS = """
    TraceView { height: 1fr; }
    TraceView > .trace--now { color: $foreground; text-style: bold; }
    TraceView > .trace--before { color: $foreground 45%; }
    TraceView > .trace--other { color: $primary; }
    TraceView > .trace--voltage { color: $secondary; }
    TraceView > .trace--limit { color: $warning; }
    TraceView > .trace--mark { color: $error; }
    TraceView > .trace--mark-word { color: $error; text-style: bold reverse; }
    TraceView > .trace--clipped { color: $error; text-style: bold; }
    TraceView > .trace--axis { color: $foreground 60%; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "trace--now",
        "trace--before",
        "trace--other",
        "trace--voltage",
        "trace--limit",
        "trace--mark",
        "trace--mark-word",
        "trace--clipped",
        "trace--axis",
    }

    stale: reactive[bool] = reactive(False, repaint=False)

    def __init__(
        self,
        *,
        glyphs: Glyphs | None = None,
        name: str | None = None,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(glyphs=glyphs, name=name, id=id, classes=classes)
        self._series: Sequence[Series] = ()
        self._limits: Sequence[LimitLine] = ()
        self._marks: Sequence[Mark] = ()
        self._window = Window(0.0, 1.0)
        self._empty, self._why = True, NO_SAMPLES
        self._current_a = StableRange(least=_LEAST_A)
        self._voltage_v = StableRange(least=2.0, from_zero=False)
        self._ranges: tuple[Range, Range] = ((0.0, 1.0), (0.0, 1.0))

    def show(
        self,
        series: Sequence[Series],
        limits: Sequence[LimitLine] = (),
        window: Window | None = None,
        marks: Sequence[Mark] = (),
        *,
        empty: str = NO_SAMPLES,
    ) -> None:
        """Show series in a window of time (None: the last one), with limits and marks.

        ``empty`` is said when there is no current in the window.
        """
        self._window = window or self._window
        span_s = (self._window.start_s, self._window.end_s)
        self._series = [one.within(*span_s) for one in series]
        self._limits = [limit for limit in limits if math.isfinite(limit.value)]
        self._marks = [mark for mark in marks if math.isfinite(mark.time_s)]
        self._why = empty
        self._follow_values()
        self.redraw()

    def show_nothing(self, why: str = NO_SAMPLES) -> None:
        """Empty the view and say why there is nothing; the axes fit anew when values come."""
        self.reset_range()
        self.show((), empty=why)

    def reset_range(self) -> None:
        """Let the value axes fit what is shown next, instead of what was shown before."""
        self._current_a.reset()
        self._voltage_v.reset()

    def watch_stale(self) -> None:
        """Show the change."""
        self.redraw()

    def draw(self, canvas: Canvas) -> None:
        """Draw the chart, or say why there is nothing."""
        if self._empty:
            say_in_the_middle(canvas, self._why, self.ink("trace--axis"))
            return
        Chart(
            self._of("current"),
            self._of("voltage"),
            self._limits,
            self._marks,
            self._window,
            *self._ranges,
            self._ink_of,
            self.stale,
        ).draw(canvas)

    def _of(self, quantity: str) -> list[Series]:
        return [one for one in self._series if one.quantity == quantity]

    def _ink_of(self, part: str) -> Style:
        faint = self.stale and part in {"now", "other", "voltage"}
        return self.ink(f"trace--{'before' if faint else part}")

    def _follow_values(self) -> None:
        """Let the axes follow what is seen; without values they stay as they are."""
        current, voltage = self._ranges
        seen_a = _extremes(self._of("current"))
        if seen_a is not None:
            low, high = seen_a[0], seen_a[1] * _HEADROOM
            reached = [
                limit.value * _HEADROOM
                for limit in self._limits
                if limit.axis == "current" and limit.value <= high * _WORTH_REACHING
            ]
            # Noise about a rest level of zero is no reason for an axis below zero.
            low = 0.0 if low > -0.05 * max(high, _LEAST_A) else low
            current = self._current_a.follow(low, max([high, *reached]))
        seen_v = _extremes(self._of("voltage"))
        self._empty = seen_a is None
        if seen_v is not None:
            voltage = self._voltage_v.follow(*seen_v)
        self._ranges = (current, voltage)


def _extremes(series: Sequence[Series]) -> Range | None:
    """Return the least and the greatest value of all series; None without any."""
    found = [one for one in (s.extremes() for s in series) if one is not None]
    return (min(low for low, _ in found), max(high for _, high in found)) if found else None
