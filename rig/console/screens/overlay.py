"""The overlay pane of the records: the same half-turn of two runs, before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from uuid import UUID

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Static

from rig.analysis.model import Limits
from rig.console.laid_over import laid_over
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.run_view import view_of_record
from rig.console.trace_picture import Picture
from rig.console.widgets.change_table import ChangeTable
from rig.console.widgets.trace import TraceView
from rig.console.worker_mail import hand_over
from rig.records.compare import Pair, in_order, pairs
from rig.records.model import RunRecord

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

# The two lines as the trace draws them, for whoever sees no colours.
_LINES = {"before": "╌╌╌", "after": "───"}


@dataclass(frozen=True)
class Laid:
    """Two runs, the earlier first, the half-turns that both have, and the later one's limits."""

    before: RunRecord
    after: RunRecord
    pairs: tuple[Pair, ...]
    limits: Limits | None


def lay(reading: RecordsReader, one: UUID, other: UUID) -> Laid:
    """Read two runs and find what they have in common."""
    before, after = in_order(reading.run(one), reading.run(other))
    limits = view_of_record(after).limits
    return Laid(before, after, tuple(pairs(before, after)), limits)


class OverlayPane(Vertical):
    """Walks through the half-turns that both runs have."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    OverlayPane > .who { height: 1; padding: 0 1; }
    OverlayPane > #overlay-before { color: $primary; }
    OverlayPane > #overlay-what { height: 1; padding: 0 1; color: $text-muted; }
    OverlayPane #overlay { height: 1fr; }
    OverlayPane TraceView { height: 1fr; margin: 0 1; }
    OverlayPane DataTable { height: 9; }
    .-tall OverlayPane DataTable { height: 12; }
    """

    class PairRead(Message):
        """Both runs were read, or why not."""

        def __init__(self, asked: int, laid: Laid | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.laid = laid

    class Drawn(Message):
        """Both traces were read, or why not."""

        def __init__(self, asked: int, made: Picture | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.made = made

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked = 0
        self._laid: Laid | None = None
        self._at = 0

    def compose(self) -> ComposeResult:
        """Lay out the two runs, the traces, and what changed."""
        yield Static("", id="overlay-before", classes="who", markup=False)
        yield Static("", id="overlay-after", classes="who", markup=False)
        yield Static("", id="overlay-what", markup=False)
        with Horizontal(id="overlay"):
            yield TraceView()
        yield ChangeTable()

    def open(self, one: UUID, other: UUID) -> None:
        """Lay two runs over each other, whichever is the earlier."""
        self._laid, self._at = None, 0
        self._asked += 1
        self.query_one(TraceView).show_nothing("reading both runs")
        self._read(self.app.desk.reading, self._asked, one, other)

    @work(thread=True, exclusive=True, group="pair")
    def _read(self, reading: RecordsReader, asked: int, one: UUID, other: UUID) -> None:
        hand_over(self, self.PairRead(asked, or_sorry(lambda: lay(reading, one, other))))

    def on_overlay_pane_pair_read(self, event: PairRead) -> None:
        """Show both runs, unless others were asked for since."""
        event.stop()
        if event.asked != self._asked:
            return
        if isinstance(event.laid, Sorry):
            self._tell(event.laid.text)
            return
        self._laid = laid = event.laid
        self.query_one("#overlay-before", Static).update(_who("before", laid.before))
        self.query_one("#overlay-after", Static).update(_who("after", laid.after))
        if laid.pairs:
            self._show()
        else:
            self._tell(
                "The two runs have no half-turn in common: no step of the same kind turned the "
                "unit in both. Esc goes back: choose another run to lay over the marked one."
            )

    def _tell(self, why: str) -> None:
        self.query_one("#overlay-what", Static).update("")
        self.query_one(TraceView).show_nothing(why)
        self.query_one(ChangeTable).clear()

    def on_change_table_step(self, event: ChangeTable.Step) -> None:
        """Go to another half-turn."""
        event.stop()
        if self._laid is not None and self._laid.pairs:
            self._at = (self._at + event.by) % len(self._laid.pairs)
            self._show()

    def _show(self) -> None:
        laid = self._laid
        assert laid is not None
        pair = laid.pairs[self._at]
        where = Text(f"{pair.title} · {self._at + 1} of {len(laid.pairs)}")
        if laid.before.start.unit_serial != laid.after.start.unit_serial:
            where.append(" · NOT THE SAME UNIT", "bold")
        self.query_one("#overlay-what", Static).update(where)
        self.query_one(ChangeTable).show(pair)
        self._asked += 1
        self._draw(self.app.desk.reading, self._asked, laid, pair)

    @work(thread=True, exclusive=True, group="overlay")
    def _draw(self, reading: RecordsReader, asked: int, laid: Laid, pair: Pair) -> None:
        def made() -> Picture:
            before = reading.trace(laid.before.run_id, pair.before.step)
            after = reading.trace(laid.after.run_id, pair.after.step)
            labels = tuple(_label(word, run) for word, run in _sides(laid))
            return laid_over(pair, (before, after), laid.limits, (labels[0], labels[1]))

        hand_over(self, self.Drawn(asked, or_sorry(made)))

    def on_overlay_pane_drawn(self, event: Drawn) -> None:
        """Draw both traces, unless another half-turn was asked for since."""
        event.stop()
        if event.asked != self._asked:
            return
        made, trace = event.made, self.query_one(TraceView)
        trace.reset_range()
        if isinstance(made, Sorry):
            trace.show_nothing(made.text)
        elif made.nothing:
            trace.show_nothing(made.nothing)
        else:
            trace.show(made.series, made.limits, made.window)


def _sides(laid: Laid) -> tuple[tuple[str, RunRecord], tuple[str, RunRecord]]:
    return ("before", laid.before), ("after", laid.after)


def _label(word: str, run: RunRecord) -> str:
    return f"{word}, {run.start.started_at.astimezone():%Y-%m-%d}"


def _who(word: str, run: RunRecord) -> Text:
    start = run.start
    verdict = run.end.judgement.verdict.upper() if run.end and run.end.judgement else "no verdict"
    simulated = ", SIMULATED" if start.simulated else ""
    text = Text(f"{word:<6} {_LINES[word]} ", "bold", no_wrap=True, overflow="ellipsis")
    when = f"{start.started_at.astimezone():%Y-%m-%d %H:%M}"
    facts = f"{start.unit_serial}  {when}  {start.plan_name}  {start.reference}".rstrip()
    text.append(f"{facts}  {verdict}{simulated}", "not bold")
    return text
