"""What a screen shows instead of itself in a terminal that is too small for it."""

from __future__ import annotations

from textual.geometry import Size
from textual.widgets import Static

SMALLEST = Size(80, 24)
"""The smallest terminal that the screens are laid out for, columns and rows."""


def is_large_enough(size: Size) -> bool:
    """Tell whether the screens have room in a terminal of ``size``."""
    return size.width >= SMALLEST.width and size.height >= SMALLEST.height


class TooSmall(Static):
    """Covers the screen while its terminal is too small; the feeds are told all the same."""

    DEFAULT_CSS = """
    TooSmall {
        layer: notice; width: 100%; height: 100%; display: none;
        background: $background; padding: 1 2;
    }
    """

    def __init__(self) -> None:
        super().__init__("", markup=False)
        self._told: tuple[Size, str] | None = None

    def show(self, size: Size, feeds: str) -> None:
        """Cover the screen if ``size`` asks for it; ``feeds`` is how the feeds are, in words."""
        self.display = not is_large_enough(size)
        if self.display and (size, feeds) != self._told:
            self._told = (size, feeds)
            self.update(
                f"{feeds[:1].upper()}{feeds[1:]}.\n"
                f"This terminal has {size.width} columns and {size.height} rows; the console needs "
                f"{SMALLEST.width} and {SMALLEST.height}. Make it larger, or its letters smaller.\n"
                "Until then no key feeds anything and a pause stays. F12 takes all feeds off here "
                "too. Ctrl+Q leaves."
            )
