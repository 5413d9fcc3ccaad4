"""The line that says how the job stands: a word that stands out, and a sentence."""

from __future__ import annotations

from rich.text import Text
from textual.widgets import Static

from rig.console.job_state import JobState


class StateLine(Static):
    """Shows a `JobState`: one row, up to four where something must be seen at once."""

    DEFAULT_CSS = """
    StateLine { height: 1; padding: 0 1; text-wrap: nowrap; text-overflow: ellipsis; }
    StateLine.-alert {
        height: auto; max-height: 4; text-wrap: wrap; color: $error; text-style: bold;
    }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__("", id=id, markup=False)
        self.state: JobState | None = None

    def show(self, state: JobState) -> None:
        """Show ``state``; cheap if it is shown already."""
        if state == self.state:
            return
        self.state = state
        self.set_class(state.alert, "-alert")
        text = Text.assemble((f" {state.word} ", "bold reverse"), " ", state.text)
        self.update(text)
