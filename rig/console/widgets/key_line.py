"""The line of keys at the foot of a screen."""

from __future__ import annotations

from textual.widgets import Footer


class KeyLine(Footer):
    """Shows the keys that work now; made anew only when they have changed.

    Textual makes its footer anew whenever the focus moves, which is a third of what a small
    computer does then; most moves change no key.
    """

    def __init__(self) -> None:
        super().__init__(compact=True, show_command_palette=False)
        self._shown: object = None

    async def recompose(self) -> None:
        """Put other keys in, if they are others."""
        active = self.screen.active_bindings.values()
        keys = [(key.binding, key.enabled, key.tooltip) for key in active if key.binding.show]
        if keys != self._shown:
            self._shown = keys
            await super().recompose()
