"""The items of a self-check: announced all at once, then done one after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers import DriverError
from rig.bench.errors import BenchError, Stopped
from rig.bench.events import CheckItem, ItemState
from rig.bench.seams import Console


class WrongError(Exception):
    """An item is wrong; the text says what was seen and what to do next.

    ``unsafe``: nothing may be powered after it.
    """

    def __init__(self, text: str, *, unsafe: bool = False) -> None:
        super().__init__(text)
        self.unsafe = unsafe


class LeftOutError(Exception):
    """An item cannot be checked, for the reason in the text."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to check; ``check`` returns what was seen if all is well, else raises."""

    name: str
    title: str
    check: Callable[[], str]


class CheckList:
    """Tells the console how the items stand, and counts them."""

    def __init__(self, console: Console, items: tuple[Item, ...]) -> None:
        self._console = console
        self._items = items
        self.states: dict[str, ItemState] = {}
        self.unsafe = ""
        for item in items:
            self._tell(item, ItemState.OPEN)

    def do(self, name: str) -> ItemState:
        """Check the item called ``name``; nothing but a stop or a fault of the program gets out."""
        item = next(item for item in self._items if item.name == name)
        self._tell(item, ItemState.GOING)
        try:
            self._tell(item, ItemState.GOOD, item.check())
        except LeftOutError as reason:
            self._tell(item, ItemState.LEFT_OUT, str(reason))
        except WrongError as wrong:
            self._tell(item, ItemState.WRONG, str(wrong))
            if wrong.unsafe:
                self.unsafe = self.unsafe or item.title
        except Stopped:
            raise
        except (BenchError, DriverError) as error:
            # A trip, a refusal, an output that does not follow: nothing may be powered after it.
            self._tell(item, ItemState.WRONG, str(error))
            self.unsafe = self.unsafe or item.title
        return self.states[name]

    def need_safe(self) -> None:
        """Raise LeftOutError if nothing may be powered any more."""
        if self.unsafe:
            raise LeftOutError(f"Not powered, because this is wrong: {self.unsafe}.")

    def going(self, name: str, text: str) -> None:
        """Tell what an item waits for."""
        item = next(item for item in self._items if item.name == name)
        self._tell(item, ItemState.GOING, text)

    def _tell(self, item: Item, state: ItemState, text: str = "") -> None:
        self.states[item.name] = state
        self._console.show(CheckItem(item.name, item.title, state, text))

    @property
    def good(self) -> bool:
        """Tell whether nothing is wrong."""
        return ItemState.WRONG not in self.states.values()

    def summary(self) -> str:
        """Return how many items are good, wrong, left out."""
        counts = {
            word: sum(state is which for state in self.states.values())
            for word, which in (
                ("good", ItemState.GOOD),
                ("wrong", ItemState.WRONG),
                ("left out", ItemState.LEFT_OUT),
                ("not done", ItemState.OPEN),
            )
        }
        parts = [f"{count} {word}" for word, count in counts.items() if count]
        return f"Self-check: {', '.join(parts)}."
