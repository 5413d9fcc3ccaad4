"""What every screen of the console has: the head, the footer, news and frames from the desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import Screen
from textual.timer import Timer
from textual.widgets import Input

from rig.bench.events import BenchEvent
from rig.console.desk import Desk
from rig.console.feeds_off import FEEDS_OFF, STOP_HERE, FeedsOffFirst
from rig.console.feeds_words import feeds_of
from rig.console.scanner import ENTER_AGAIN_S, LABEL_ENDS, LEFT_OUT, Burst, is_of_a_label
from rig.console.widgets.head import Head
from rig.console.widgets.key_line import KeyLine
from rig.console.widgets.too_small import TooSmall, is_large_enough
from rig.labels import SERIAL_LONGEST, shown, trouble_with

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class DeskScreen(FeedsOffFirst, Screen[None]):
    """A screen of the console.

    Subclasses compose their own part in `body`, name themselves by ``place`` (as in `PLACES`) and
    list what the help says about them in ``guide``.  A label that is scanned anywhere is the next
    unit's serial number (`scanned`); its letters are no keys.
    """

    place: ClassVar[str] = ""
    guide: ClassVar[str] = ""
    once: ClassVar[frozenset[str]] = frozenset({"f9", "ctrl+r"})
    """Keys, but for letters, that do one thing and then another: held down they act once."""

    BINDINGS: ClassVar[list[BindingType]] = [FEEDS_OFF, STOP_HERE]
    DEFAULT_CSS = "DeskScreen { layers: default notice; }"

    app: HalfturnConsole

    def __init__(self) -> None:
        super().__init__()
        # Looked at in every frame.
        self._head = Head(self.place)
        self._too_small = TooSmall()
        self._burst = Burst()
        self._key = ""  # the last one that may be a key or the beginning of a label
        self._key_waits: Timer | None = None
        self._spare_enter_s = float("-inf")
        self._desk: Desk | None = None  # that of the chosen station, whichever it is

    @property
    def desk(self) -> Desk:
        """The desk of the station that this screen is of; of the chosen one if it is of all."""
        return self._desk or self.app.desk

    def belong_to(self, desk: Desk) -> None:
        """Be a screen of ``desk``, whichever station is chosen."""
        self._desk = desk

    def is_of(self, desk: Desk) -> bool:
        """Tell whether what happens at ``desk`` is this screen's concern."""
        return self._desk is None or self._desk is desk

    def compose(self) -> ComposeResult:
        """Lay the screen out: head, body, footer."""
        yield self._head
        yield from self.body()
        yield KeyLine()
        yield self._too_small

    def body(self) -> ComposeResult:
        """Lay out what is between head and footer."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show the present state: the screen was away and heard no news."""
        self.show_all()
        self.show_head()

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""

    def on_news(self, event: BenchEvent) -> None:
        """Take note of one event; the desk knows it already."""

    def on_frame(self) -> None:
        """Draw what is live; called some 20 times a second while this screen is on top."""

    def take_in(self) -> None:
        """Take in what happened while another screen was on, before this one is shown."""

    # --- a scanner -----------------------------------------------------------------------------

    async def on_key(self, event: events.Key) -> None:
        """Keep a letter back for a moment: it is a key, or the beginning of a scanned label."""
        if self.is_covered(event):
            return
        burst = self._burst
        burst.within_s = self.app.scanner_s
        goes_on = burst.goes_on(event.time)
        if self._key_waits is not None:
            self._key_waits.stop()
        if event.key in LABEL_ENDS and goes_on and not burst.one_key:
            event.stop()
            self.spare_enter()
            self.scanned(burst.end())
            return
        if self.is_held(event):
            return
        character = event.character or ""
        if isinstance(self.focused, Input):
            self.tell_left_out(character)
            burst.end()
            return
        # In the midst of a label it belongs to it, and the label is refused for it: the part behind
        # it alone would be another unit.
        if not event.is_printable and not (goes_on and is_of_a_label(character)):
            await self._press()  # before this one
            return
        if character == " " and not goes_on:
            return  # presses a button, opens a list
        event.stop()
        burst.take(character, event.time)
        self._key = event.key
        if burst.within_s:
            self._key_waits = self.set_timer(burst.within_s, self._press)
        else:
            self.call_next(self._press)

    async def act_before(self, time_s: float) -> None:
        """Do what a key that is still kept back stands for if one at ``time_s`` does not go on it.

        A computer that is slow for a moment may bring the second before the first one's time is up.
        """
        if self._burst.typed and not self._burst.goes_on(time_s):
            if self._key_waits is not None:
                self._key_waits.stop()
            await self._press()

    def is_covered(self, event: events.Key) -> bool:
        """Keep a key from doing anything while the terminal is too small to show what it does."""
        covered = not is_large_enough(self.size)
        if covered:
            event.stop()
            event.prevent_default()
        return covered

    def is_held(self, event: events.Key) -> bool:
        """Keep a key from doing anything that only repeats: one held down, a scanner's Enter."""
        again = event.key == "enter" and event.time < self._spare_enter_s
        if event.key in self.once and self.app.action_keys.is_held(event.key, event.time):
            again = True
        if again:
            event.stop()
            event.prevent_default()
        return again

    def spare_enter(self) -> None:
        """Have the next Enter press nothing if it comes at once: some scanners send two."""
        self._spare_enter_s = events.Event().time + ENTER_AGAIN_S

    async def _press(self) -> None:
        """Do what the key stands for that was kept back, unless it was more than one."""
        burst, keys = self._burst, self.app.action_keys
        one_key, repeats = burst.one_key, len(burst.typed) > 1
        text = burst.end()
        if not one_key:
            if text:
                self.typed(text)
            return
        key = self._key.lower()
        # Held down, it is a burst after the one that it was pressed in.
        held = repeats and keys.would_be_held(key, burst.began_s)
        keys.saw(key, burst.last_s)
        active = self.active_bindings.get(self._key)
        if active is None and self._key not in self._bindings.key_to_bindings:
            self.typed(text)
        elif not held and active is not None and active.enabled and self.is_current:
            await self.app.run_action(active.binding.action, active.node)

    def typed(self, text: str) -> None:
        """Take what was typed by hand with no field in focus, and is no key of this screen."""

    def tell_left_out(self, character: str) -> None:
        """Tell of a character of a label that a field left out: it takes printable ones only."""
        if is_of_a_label(character):
            self.say(LEFT_OUT)

    def scanned(self, label: str) -> None:
        """Take a scanned label as the serial number of the next unit at this station."""
        trouble = trouble_with(label, SERIAL_LONGEST)
        at = f" at station {self.desk.choices.station}" if self.app.desks.several else ""
        if self.desk.live.on:
            self.say(
                f"{shown(label)} was scanned, but a job is on{at}. Scan it again when it is over"
                f"{', or choose another station (^N) first' if at else ''}."
            )
        elif trouble:
            self.say(f"The label that was scanned {trouble}")
        else:
            self.desk.choices.serial = label
            self.app.go("bench")
            jig = f"station {self.desk.choices.station}" if at else "the jig"
            self.say(f"{label} was scanned: it is filled in as the unit on {jig}.")

    # --- help for subclasses -------------------------------------------------------------------

    def say(self, text: str, *, error: bool = False) -> None:
        """Tell the operator something that needs no answer."""
        self.app.say(text, error=error)

    def show_head(self) -> None:
        """Show what the desk knows now in the head, or instead of the screen where it has no room.

        Cheap if nothing changed.
        """
        self._head.show()
        self._too_small.show(self.size, feeds_of(self.desk).words)
