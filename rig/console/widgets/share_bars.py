"""A gauge study's components as bars: how much of what is measured is rig, people, units."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from rig.console.drawing.axes import say_in_the_middle
from rig.console.drawing.canvas import DASHED, Area, Canvas
from rig.console.drawing.drawn import Drawn
from rig.quality.gauge_fit import GOOD_SHARE, WORST_SHARE
from rig.quality.gauge_study import GaugeStudy, Share
from rig.studies.gauge_words import named

_LABELS = 22
_NUMBERS = 9
_HEAD = "share of the total spread, % (v: of the variance)"


class ShareBars(Drawn):
    """A bar for each component's share of the spread, with its number and that of the variance.

    The dashed lines across stand at 10 and 30 % of the spread.  From 50 x 9 cells up.
    """

    DEFAULT_CSS = """
    ShareBars { height: 1fr; }
    ShareBars > .shares--gauge { color: $warning; }
    ShareBars > .shares--unit { color: $primary; }
    ShareBars > .shares--mark { color: $foreground 45%; }
    ShareBars > .shares--axis { color: $foreground 60%; }
    ShareBars > .shares--word { color: $foreground; }
    """
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "shares--gauge",
        "shares--unit",
        "shares--mark",
        "shares--axis",
        "shares--word",
    }

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._study: GaugeStudy | None = None
        self._why = ""

    def show(self, study: GaugeStudy | None, *, empty: str = "") -> None:
        """Show a study's components; ``empty`` is said if there are none yet."""
        self._study, self._why = study, empty
        self.redraw()

    def draw(self, canvas: Canvas) -> None:
        """Draw the bars, or say why there are none."""
        if self._study is None:
            say_in_the_middle(canvas, self._why, self.ink("shares--axis"))
            return
        shares = [share for share in self._study.shares if share.name != "total"]
        columns = canvas.columns - _LABELS - _NUMBERS
        if columns < 10:
            say_in_the_middle(canvas, "too narrow", self.ink("shares--axis"))
            return
        canvas.text(_LABELS, 0, _HEAD[: canvas.columns - _LABELS], self.ink("shares--axis"))
        tall = 2 if canvas.rows >= 2 * len(shares) + 2 else 1
        area = Area(_LABELS, 1, columns, tall * len(shares))
        for number, share in enumerate(shares):
            self._bar(canvas, Area(_LABELS, 1 + tall * number, columns, tall), share)
        marks = canvas.layer(self.ink("shares--mark"), area)
        below = area.row + area.rows
        for at in (GOOD_SHARE, WORST_SHARE):
            marks.vertical(at * (marks.width - 1), DASHED)
            canvas.text(
                _LABELS + round(at * (columns - 1)) - 1,
                below,
                f"{100 * at:.0f}",
                self.ink("shares--axis"),
            )
        canvas.text(_LABELS + columns - 3, below, "100", self.ink("shares--axis"))

    def _bar(self, canvas: Canvas, area: Area, share: Share) -> None:
        canvas.text(0, area.row, named(share)[: _LABELS - 1], self.ink("shares--word"))
        style = self.ink("shares--unit" if share.name == "part" else "shares--gauge")
        layer = canvas.layer(style, area)
        long = round(min(1.0, share.study) * layer.width)
        # A gap below each bar, so that neighbours do not run together.
        layer.bitmap(0, 0, np.ones((layer.height - 1, long), dtype=np.bool_))
        text = f"{100 * share.study:5.1f}"
        canvas.text(area.column + area.columns + 1, area.row, text, self.ink("shares--word"))
        if area.rows > 1:
            canvas.text(
                area.column + area.columns + 1,
                area.row + 1,
                f"{100 * share.contribution:5.1f} v",
                self.ink("shares--axis"),
            )
