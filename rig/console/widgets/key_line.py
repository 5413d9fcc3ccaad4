"""The line of keys at the foot of a screen."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.widgets import Footer


class KeyLine(Footer):
    """Shows the keys that work now; made anew only when they have changed.

    Textual makes its footer anew whenever the focus moves, which is a third of what a small
    computer does then; most moves change no key.
    """

    def __init__(self) -> None:
        super().__init__(compact=True, show_command_palette=False)
        self._shown: object = None

    def compose(self) -> ComposeResult:
        """Put the keys in that work now."""
        # Noted here: they may have changed while the old ones were taken out.
        self._shown = self._keys() if self._bindings_ready else None
        yield from super().compose()

    async def recompose(self) -> None:
        """Put other keys in, if they are others."""
        if self._keys() != self._shown:
            await super().recompose()

    def _keys(self) -> object:
        active = self.screen.active_bindings.values()
        return [(key.binding, key.enabled, key.tooltip) for key in active if key.binding.show]
