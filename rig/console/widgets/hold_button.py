"""A button that feeds as long as the mouse button is held on it."""

from __future__ import annotations

from rich.text import Text
from textual import events
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget

from rig.bench.requests import Feeds


class HoldButton(Widget, can_focus=False):
    """Posts `Held` when the mouse goes down on it, `LetGo` when it comes up or leaves.

    Its key is worked by the screen.  ``held`` shows it as held, in a word as well.
    """

    DEFAULT_CSS = """
    HoldButton {
        width: 1fr; height: 1; margin: 0 1; background: $panel;
        content-align: center middle; text-style: bold;
    }
    HoldButton:hover { text-style: bold underline; }
    HoldButton.-held { text-style: bold reverse; color: $warning; }
    HoldButton:disabled { color: $text-muted; text-style: none; }
    """

    class Held(Message):
        """The mouse went down on the button of ``feeds`` at ``at_s`` (monotonic, s)."""

        def __init__(self, feeds: Feeds, at_s: float) -> None:
            super().__init__()
            self.feeds, self.at_s = feeds, at_s

    class LetGo(Message):
        """The mouse came up, or left the button."""

    held: reactive[bool] = reactive(False)

    def __init__(self, feeds: Feeds, key: str, title: str, *, id: str) -> None:
        super().__init__(id=id)
        self.feeds = feeds
        self._key, self._title = key, title

    def render(self) -> Text:
        """Return key and name, and whether it is held."""
        word = "  held" if self.held else ""
        return Text(f"{self._key}  {self._title}{word}", no_wrap=True)

    def watch_held(self, held: bool) -> None:
        """Show the change."""
        self.set_class(held, "-held")

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Hold, with the first button."""
        event.stop()
        if event.button == 1:
            self.capture_mouse()
            self.post_message(self.Held(self.feeds, event.time))

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Let go when the pointer leaves."""
        if self.app.mouse_captured is self and event.get_content_offset(self) is None:
            self.capture_mouse(False)

    def on_mouse_up(self, event: events.MouseUp) -> None:
        """Let go."""
        event.stop()
        self.capture_mouse(False)

    def on_mouse_release(self) -> None:
        """The mouse is no longer held here, for whatever reason."""
        self.post_message(self.LetGo())

    def on_hide(self) -> None:
        """Let go of what can no longer be seen."""
        self.capture_mouse(False)
