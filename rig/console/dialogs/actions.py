"""The list of actions to choose from: Textual's command palette in our words."""

from __future__ import annotations

from textual.command import CommandPalette, SearchIcon


class ActionsPalette(CommandPalette):
    """Its mark is a plain character, which every terminal has."""

    def on_mount(self) -> None:
        """Put the mark there."""
        self.query_one(SearchIcon).icon = "»"
