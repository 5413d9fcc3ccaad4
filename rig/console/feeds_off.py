"""The key that takes all feeds off: on every screen and dialog, and first in its line of keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual.binding import ActiveBinding, Binding, BindingType
from textual.screen import ModalScreen

from rig.console.widgets.stations_line import StationsLine

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

# Some terminals keep F12 for themselves; none of these is ever taken by a field being typed in.
# Ctrl+C is what somebody presses who wants a program to stop.
FEEDS_OFF_KEYS = "f12,ctrl+x,ctrl+c"
FEEDS_OFF = Binding(FEEDS_OFF_KEYS, "app.feeds_off", "Feeds off", key_display="F12", priority=True)
# On a rig of several stations; no field takes it, and no scanner sends it.
NEXT_STATION = Binding(
    "ctrl+n", "app.next_station", "Next station", show=False, key_display="^N", priority=True
)
# Takes the feeds of one station off; the feeds-off key those of all.  While no job is on there, a
# field has it (to the end of the line).
STOP_HERE = Binding(
    "ctrl+e",
    "app.stop_here",
    "Stop this one",
    key_display="^E",
    priority=True,
    tooltip="this station's job, feeds off; F12 stops all stations",
)

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
    """A dialog of the console, dismissed with an ``Answer``.

    On a rig of several stations it tells above itself what each does, as the screens do.
    """

    BINDINGS: ClassVar[list[BindingType]] = [FEEDS_OFF, STOP_HERE, NEXT_STATION]
    filled_in: ClassVar[bool] = False
    """Whether the operator opened it to fill it in: keys wait until it has its fields."""

    def on_mount(self) -> None:
        """Tell what the stations do; a dialog's own handler is called besides."""
        if cast("HalfturnConsole", self.app).desks.several:
            self.mount(StationsLine())

    def show_stations(self) -> None:
        """Show what the stations do now."""
        for line in self.query(StationsLine):
            line.show()
