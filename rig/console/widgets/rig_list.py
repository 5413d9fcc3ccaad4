"""The rig's own state in words: feeds, emergency stop, dead-man, sensor."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from rig.console.rig_state import UNKNOWN, RigWord

NOT_WATCHED = "Not watched: no job is on."


class RigList(Static):
    """Shows `RigWord`s, a row each, or with one row side by side; what must be seen stands out.

    Without any it says that nobody watches the rig.
    """

    DEFAULT_CSS = """
    RigList { height: 5; text-wrap: nowrap; text-overflow: ellipsis; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.words: tuple[RigWord, ...] = UNKNOWN

    def show(self, words: tuple[RigWord, ...]) -> None:
        """Show ``words``; cheap if they are shown already."""
        if words != self.words:
            self.words = words
            self._draw()

    def on_resize(self) -> None:
        """Fit to the new size."""
        self._draw()

    def _draw(self) -> None:
        if not self.words:
            text = Text(NOT_WATCHED, style="dim")
        elif self.content_size.height <= 1 and self.words == UNKNOWN:
            text = Text("feeds, emergency stop, dead-man and sensor not known")
        elif self.content_size.height <= 1:
            # What must be seen comes first, since the end of the line may be cut off.
            ordered = sorted(self.words, key=lambda one: not one.alert)
            text = Text("  ").join(map(_brief, ordered))
        else:
            width = self.content_size.width
            text = Text("\n").join(_row(one, width) for one in self.words)
        self.update(text)


def _brief(one: RigWord) -> Text:
    return Text.assemble((one.name.removesuffix(" feed").lower(), "dim"), " ", _word(one))


def _row(one: RigWord, width: int) -> Text:
    spaces = max(1, width - len(one.name) - len(one.word) - 2 * one.alert)
    return Text.assemble((one.name, "dim"), " " * spaces, _word(one), no_wrap=True)


def _word(one: RigWord) -> Text:
    if one.alert:
        return Text(f" {one.word} ", style="bold reverse")
    return Text(one.word, style="bold" if one.word == "on" else "")
