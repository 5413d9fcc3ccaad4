"""The list of actions to choose from: Textual's command palette with our actions and words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, cast

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.command import (
    CommandList,
    CommandPalette,
    DiscoveryHit,
    Hit,
    Hits,
    Provider,
    SearchIcon,
)
from textual.widgets.option_list import Option

from rig.console.places import places
from rig.console.screen import DeskScreen
from rig.console.station_glance import glance

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

# A feed is made by a held key, never by a line chosen from a list.
_NEVER = ("tap",)


@dataclass(frozen=True)
class Action:
    """What can be done now: its name, what it does, its key as written, and how it is done."""

    name: str
    tells: str
    key: str
    do: Callable[[], Any]

    @property
    def help(self) -> str:
        """What stands below the name."""
        return f"{self.key:<4} {self.tells}".rstrip() if self.key else self.tells


def actions_of(app: HalfturnConsole, screen: DeskScreen) -> Iterator[Action]:
    """Yield what can be done on ``screen`` now, then where to go, then what is always there."""
    yield Action("Feeds off", "Take all feeds off and end the job", "F12", app.action_feeds_off)
    yield from _of_screen(app, screen)
    for place in places(app.desk.has_world, several=app.desks.several):
        if place.name != screen.place:
            to = f"Go to {place.title}"
            yield Action(to, place.tells, place.key.upper(), partial(app.go, place.name))
    for desk in app.desks.others:
        name = desk.choices.station
        yield Action(f"Station {name}", glance(desk).word, "", partial(app.choose, desk))
    yield Action("Help", "Every key of this screen", "F1", app.action_guide)
    yield Action("Dark or light", "Change the colours", "^T", app.action_other_light)
    yield Action("Quit", "Feeds off, then leave", "^Q", app.action_quit)


def _of_screen(app: HalfturnConsole, screen: DeskScreen) -> Iterator[Action]:
    seen = set()
    for active in screen.active_bindings.values():
        binding, action = active.binding, active.binding.action
        ours = type(active.node).__module__.startswith("rig.") and active.node is not app
        if not (ours and active.enabled and binding.description) or action in seen:
            continue
        if action.startswith((*_NEVER, "app.")):
            continue
        seen.add(action)
        yield Action(
            binding.description,
            binding.tooltip,
            app.get_key_display(binding),
            partial(app.run_action, action, active.node),
        )


class _Actions(Provider):
    """Finds actions by part of their names."""

    def _all(self) -> Iterator[Action]:
        return actions_of(cast("HalfturnConsole", self.app), cast(DeskScreen, self.screen))

    async def discover(self) -> Hits:
        """Yield every action, in our order."""
        for action in self._all():
            yield DiscoveryHit(Text(action.name), action.do, action.name, Text(action.help).markup)

    async def search(self, query: str) -> Hits:
        """Yield the actions that match."""
        matcher = self.matcher(query)
        for action in self._all():
            score = matcher.match(action.name)
            if score > 0:
                shown = matcher.highlight(action.name)
                yield Hit(score, shown, action.do, action.name, Text(action.help).markup)


class ActionsPalette(CommandPalette):
    """What can be done on the screen below, to be found by typing."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "escape", "Close")]

    def __init__(self) -> None:
        super().__init__([_Actions], placeholder="Type part of what you want to do")

    def on_mount(self) -> None:
        """Mark the field with a plain character, which every terminal has."""
        self.query_one(SearchIcon).icon = "»"

    def _start_no_matches_countdown(self, search_value: str) -> None:
        # Textual's own sentence comes late and says no next step.
        if search_value:
            text = "Nothing of that name can be done here now. Esc closes the list."
            self.query_one(CommandList).add_option(Option(text, disabled=True, id=self._NO_MATCHES))
        self._list_visible = bool(search_value)
