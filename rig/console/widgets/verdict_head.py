"""The verdict as it is written down: the word, what it says of the unit, underlined by its kind."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from rig.analysis.model import Verdict
from rig.console.run_view import RunView, verdict_words
from rig.quality.calibration_words import standing_in_short
from rig.records.golden_said import golden_in_short

# The line under the verdict tells it once more, without colour: double, heavy, broken, thin.
_UNDERLINES = {Verdict.PASS: "═", Verdict.FAIL: "━", Verdict.RETEST: "╍", None: "─"}


class VerdictHead(Vertical):
    """Two rows: "FAIL  LM-12-0288 fails on 6 counts", and a line under it."""

    DEFAULT_CSS = """
    VerdictHead { height: 2; padding: 0 1; }
    VerdictHead > Static { height: 1; color: $foreground; }
    VerdictHead.-pass > Static { color: $success; }
    VerdictHead.-fail > Static { color: $error; }
    VerdictHead.-retest > Static { color: $warning; }
    """

    def compose(self) -> ComposeResult:
        """Lay out both rows."""
        yield Static("", id="verdict-words", markup=False)
        yield Static("", id="verdict-line", markup=False)

    def show(self, view: RunView) -> None:
        """Show the verdict of a run."""
        verdict = view.judgement.verdict if view.judgement else None
        for one in Verdict:
            self.set_class(one is verdict, f"-{one}")
        word, says = verdict_words(view)
        words = Text(f"{word}  ", style="bold", no_wrap=True, overflow="ellipsis")
        words.append(says, style="not bold")
        for short in (standing_in_short(view.calibration), golden_in_short(view.golden)):
            if short:
                words.append(f"  {short}", style="bold")
        self.query_one("#verdict-words", Static).update(words)
        line = _UNDERLINES.get(verdict, _UNDERLINES[None])
        self.query_one("#verdict-line", Static).update(line * len(words.plain))
