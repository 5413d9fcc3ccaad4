"""What every screen of the console has: the head, the footer, news and frames from the desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import Screen

from rig.bench.events import BenchEvent
from rig.console.desk import Desk
from rig.console.feeds_off import FEEDS_OFF, FeedsOffFirst
from rig.console.widgets.head import Head
from rig.console.widgets.key_line import KeyLine

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class DeskScreen(FeedsOffFirst, Screen[None]):
    """A screen of the console.

    Subclasses compose their own part in `body`, name themselves by ``place`` (as in `PLACES`) and
    list what the help says about them in ``guide``.
    """

    place: ClassVar[str] = ""
    guide: ClassVar[str] = ""

    BINDINGS: ClassVar[list[BindingType]] = [FEEDS_OFF]

    app: HalfturnConsole

    @property
    def desk(self) -> Desk:
        """The desk this console works at."""
        return self.app.desk

    def compose(self) -> ComposeResult:
        """Lay the screen out: head, body, footer."""
        yield Head(self.place)
        yield from self.body()
        yield KeyLine()

    def body(self) -> ComposeResult:
        """Lay out what is between head and footer."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show the present state: the screen was away and heard no news."""
        self.show_all()

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""

    def on_news(self, event: BenchEvent) -> None:
        """Take note of one event; the desk knows it already."""

    def on_frame(self) -> None:
        """Draw what is live; called some 20 times a second while this screen is on top."""

    def say(self, text: str, *, error: bool = False) -> None:
        """Tell the operator something that needs no answer."""
        self.app.say(text, error=error)

    def head(self) -> Any:
        """Return the head of this screen."""
        return self.query_one(Head)
