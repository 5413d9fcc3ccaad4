"""The base of the console's drawn widgets."""

from __future__ import annotations

from rich.style import Style
from textual.color import Color
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from rig.console.drawing.canvas import Canvas
from rig.console.drawing.glyphs import Glyphs, glyphs_of_terminal

_PAPER = "paper"  # under all layers; no component class


class Drawn(Widget, can_focus=False):
    """A widget that draws itself on a canvas, once for every change and not for every line.

    ``glyphs``: how dots are shown; by default what the terminal can (blocks on the Linux text
    console).  A subclass draws in `draw` and calls `redraw` when what it shows has changed.
    """

    ALLOW_SELECT = False

    def __init__(
        self,
        *,
        glyphs: Glyphs | None = None,
        name: str | None = None,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(name=name, id=id, classes=classes)
        self.glyphs = glyphs_of_terminal() if glyphs is None else glyphs
        self._strips: list[Strip] | None = None
        self._drawn_size = Size(0, 0)
        self._inks: dict[str, Style] = {}
        self._inks_on: tuple[Color, Color] | None = None

    def draw(self, canvas: Canvas) -> None:
        """Draw everything on an empty canvas of the widget's size."""
        raise NotImplementedError

    def redraw(self) -> None:
        """Draw anew at the next refresh."""
        self._strips = None
        self.refresh()

    def ink(self, name: str) -> Style:
        """Return the style of one of the widget's component classes."""
        # Textual forgets its own at every refresh, and making ten anew costs a millisecond.
        if name not in self._inks:
            self._inks[name] = self.get_component_rich_style(name)
        return self._inks[name]

    @property
    def text_lines(self) -> list[str]:
        """What the widget shows, as text, one string a row."""
        return [strip.text for strip in self._drawing()]

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the rows of a region, drawn anew if what lies behind the widget has changed."""
        if self._inks_on != self.background_colors:
            self._inks_on = self.background_colors
            self._inks.clear()
            self._strips = None
        return super().render_lines(crop)

    def render_line(self, y: int) -> Strip:
        """Return one row of the drawing."""
        strips = self._drawing()
        return strips[y] if y < len(strips) else Strip.blank(self.content_size.width)

    def notify_style_update(self) -> None:
        """Forget the drawing, whose colours are no longer right."""
        self._strips = self._inks_on = None
        self._inks.clear()
        super().notify_style_update()

    def _drawing(self) -> list[Strip]:
        # The outer size is cheap to ask for; what else the content's depends on is style.
        if self._strips is None or self.outer_size != self._drawn_size:
            self._strips, self._drawn_size = self._draw_anew(), self.outer_size
        return self._strips

    def _draw_anew(self) -> list[Strip]:
        if _PAPER not in self._inks:
            self._inks[_PAPER] = self.rich_style
        columns, rows = self.content_size
        canvas = Canvas(columns, rows, self.glyphs, self._inks[_PAPER])
        if columns > 0 and rows > 0:
            self.draw(canvas)
        return canvas.strips()
