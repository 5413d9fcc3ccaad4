"""The key that takes all feeds off: on every screen and dialog, and first in its line of keys."""

from __future__ import annotations

from typing import ClassVar, TypeVar

from textual.binding import ActiveBinding, Binding, BindingType
from textual.screen import ModalScreen

# Some terminals keep F12 for themselves; none of these is ever taken by a field being typed in.
# Ctrl+C is what somebody presses who wants a program to stop.
FEEDS_OFF_KEYS = "f12,ctrl+x,ctrl+c"
FEEDS_OFF = Binding(FEEDS_OFF_KEYS, "app.feeds_off", "Feeds off", key_display="F12", priority=True)

Answer = TypeVar("Answer")


class FeedsOffFirst:
    """Shows the feeds-off key before all others: a line of keys is cut at its end.

    Mixed into a screen; not one itself, since style sheets know a class by its first such base.
    """

    @property
    def active_bindings(self) -> dict[str, ActiveBinding]:
        """The bindings that are active, the feeds-off key first."""
        found, keys = super().active_bindings, FEEDS_OFF_KEYS.split(",")  # type: ignore[misc]
        return dict(sorted(found.items(), key=lambda item: item[0] not in keys))


class Dialog(FeedsOffFirst, ModalScreen[Answer]):
    """A dialog of the console, dismissed with an ``Answer``."""

    BINDINGS: ClassVar[list[BindingType]] = [FEEDS_OFF]
