"""Keys one after the other where text is filled in: typed ahead, none lands in another field."""

from __future__ import annotations

from collections import deque

from textual import events
from textual.app import App
from textual.driver import Driver
from textual.message import Message
from textual.message_pump import MessagePump
from textual.screen import Screen
from textual.timer import Timer
from textual.widgets import Input

from rig.console.feeds_off import FEEDS_OFF_KEYS, STOP_HERE, Dialog
from rig.console.screen import DeskScreen
from rig.console.widgets.field import Field

# Never kept waiting: what they are for is a feed.
_AT_ONCE = frozenset({*FEEDS_OFF_KEYS.split(","), *STOP_HERE.key.split(",")})
# What a key asks for is a message of its own (a field's `Submitted`), which the second one follows.
_ROUNDS, _MOST_ROUNDS = 2, 8
# A marker that is not back by then (s, guess) was lost with a widget that went.
_LOST_S = 1.0


class KeysInTurn(App[int]):
    """An application whose keys act in the order they were typed.

    Textual hands a key to what has the focus when it comes, and acts on one that is bound (Tab,
    Enter) only when it has come back up from there: what was typed right behind it would land in
    the field that is being left.  So, after a key that may lead away from a field, a marker goes
    the same way as the key did, and the next key waits for it; nor is one handed to a dialog to be
    filled in (`Dialog.filled_in`) before that has its fields.  Other dialogs take their keys as
    they come: nothing is answered by what was typed before the question was seen.
    """

    class Passed(Message):
        """The marker: what went before it has been acted on."""

        def __init__(self, turn: int) -> None:
            super().__init__()
            self.turn = turn

    def __init__(self, driver_class: type[Driver] | None = None) -> None:
        super().__init__(driver_class)
        self._keys: deque[events.Key | events.Paste] = deque()
        self._turn = self._rounds = 0
        self._marked: MessagePump | None = None  # where the marker that is out was sent to
        self._marker_lost: Timer | None = None
        self._laid_out: Screen[object] | None = None

    async def on_event(self, event: events.Event) -> None:
        """Take a key, at once or in its turn."""
        in_turn = isinstance(event, (events.Key, events.Paste)) and not event.is_forwarded
        if not in_turn or getattr(event, "key", "") in _AT_ONCE:
            await super().on_event(event)
            return
        assert isinstance(event, (events.Key, events.Paste))
        self._keys.append(event)
        if self._marked is None:
            await self._next_keys()

    async def _next_keys(self) -> None:
        """Hand over what waits, up to a key that has to be waited for."""
        while self._keys and self.screen_stack:
            key = self._keys[0]
            if isinstance(self.screen, DeskScreen):
                await self.screen.act_before(key.time)
            if self._is_being_laid_out():
                self._wait()
                return
            self._keys.popleft()
            may_lead_away = self._may_lead_away(key)
            await super().on_event(key)
            if may_lead_away:
                self._wait()
                return

    def _is_being_laid_out(self) -> bool:
        screen = self.screen
        if screen is self._laid_out or not (isinstance(screen, Dialog) and screen.filled_in):
            return False
        if screen.focused is not None:
            self._laid_out = screen
        return screen.focused is None

    def _may_lead_away(self, key: events.Key | events.Paste) -> bool:
        here = self.focused
        filling_in = here is not None and any(
            isinstance(node, (Input, Field)) for node in here.ancestors_with_self
        )
        if isinstance(key, events.Paste) or not (filling_in or isinstance(self.screen, DeskScreen)):
            return False
        # Characters of a label are not kept waiting: how fast they come tells them from keys.
        opens_a_list = key.character == " " and isinstance(self.screen, Dialog)
        return not key.is_printable or (opens_a_list and not isinstance(here, Input))

    def _wait(self) -> None:
        self._rounds = 0
        self._marker_lost = self.set_timer(_LOST_S, self._give_up)
        self._send_marker()

    def _send_marker(self) -> None:
        self._turn += 1
        self._marked = self.focused or self.screen
        if not self._marked.post_message(self.Passed(self._turn)):
            self.post_message(self.Passed(self._turn))

    async def on_keys_in_turn_passed(self, event: Passed) -> None:
        """Go on with the keys if all has come to rest, or send another marker."""
        if event.turn != self._turn or self._marked is None or not self.screen_stack:
            return
        self._rounds += 1
        moved = self._marked is not (self.focused or self.screen) or self._is_being_laid_out()
        if self._rounds < _ROUNDS or (moved and self._rounds < _MOST_ROUNDS):
            self._send_marker()
            return
        await self._go_on()

    async def _give_up(self) -> None:
        if self._marked is not None and self.screen_stack:
            await self._go_on()

    async def _go_on(self) -> None:
        self._marked, self._laid_out = None, self.screen
        if self._marker_lost is not None:
            self._marker_lost.stop()
        await self._next_keys()
