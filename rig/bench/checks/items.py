"""The items of a self-check: announced all at once, then done one after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from drivers import DriverError
from rig.bench.errors import BenchError, Stopped, TripKind, Tripped
from rig.bench.events import CheckItem, ItemState
from rig.bench.seams import Console

_KNOWN = frozenset({ItemState.GOOD, ItemState.WRONG})


class WrongError(Exception):
    """An item is wrong; the text says what was seen and what to do next.

    ``unsafe``: nothing may be powered after it.
    """

    def __init__(self, text: str, *, unsafe: bool = False) -> None:
        super().__init__(text)
        self.unsafe = unsafe


class LeftOutError(Exception):
    """An item cannot be checked, for the reason in the text."""


class NotWiredError(LeftOutError):
    """There is nothing to check: the rig file says that this rig does without it."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to check; ``check`` returns what was seen if all is well, else raises."""

    name: str
    title: str
    check: Callable[[], str]


class CheckList:
    """Tells the console how the items stand, and counts them.

    ``unsafe`` names what forbids powering anything, empty if nothing does.  ``live``: a feed was
    live although it is off; nothing more is looked at, and nobody is asked to the jig.
    """

    def __init__(self, console: Console, items: tuple[Item, ...]) -> None:
        self._console = console
        self._items = items
        self.states: dict[str, ItemState] = {}
        self.unsafe = ""
        self.live = False
        self._not_wired: set[str] = set()
        for item in items:
            self._tell(item, ItemState.OPEN)

    def do(self, name: str) -> ItemState:
        """Check the item called ``name``; nothing but a stop or a fault of the program gets out."""
        item = next(item for item in self._items if item.name == name)
        if self.live:
            text = f"Not looked at, because a feed is live ({self.unsafe}): pull the supply first."
            self._tell(item, ItemState.LEFT_OUT, text)
            return self.states[name]
        self._tell(item, ItemState.GOING)
        try:
            self._tell(item, ItemState.GOOD, item.check())
        except LeftOutError as reason:
            if isinstance(reason, NotWiredError):
                self._not_wired.add(name)
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
            if isinstance(error, Tripped) and error.trip.kind is TripKind.LIVE_WITH_FEED_OFF:
                self.live = True
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
    def good(self) -> bool | None:
        """True if everything that is wired was checked and good, False if anything is wrong.

        None if nothing is wrong as far as could be looked.
        """
        if ItemState.WRONG in self.states.values():
            return False
        return None if self._not_checked else True

    @property
    def _not_checked(self) -> int:
        """How many items of what is wired nothing is known about."""
        unknown = {name for name, state in self.states.items() if state not in _KNOWN}
        return len(unknown - self._not_wired)

    def summary(self) -> str:
        """Return in words what is known: how many items are good, wrong, not checked."""
        counts = Counter(self.states.values())
        wired = len(self.states) - len(self._not_wired)
        without = f" Not wired: {len(self._not_wired)}." if self._not_wired else ""
        if self.good:
            return f"All {wired} items were checked and are good.{without}"
        if self.good is None:
            return (
                f"Nothing wrong found; {self._not_checked} of {wired} items not checked, "
                f"{counts[ItemState.GOOD]} good.{without}"
            )
        parts = [f"{counts[ItemState.WRONG]} wrong", f"{counts[ItemState.GOOD]} good"]
        if self._not_checked:
            parts.append(f"{self._not_checked} not checked")
        return f"{', '.join(parts)}, of {wired} items.{without}"
