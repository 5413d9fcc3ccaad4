"""The history pane of the records: one unit's runs, and how a measure went over them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast
from uuid import UUID

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Select, Static

from rig.analysis.model import Verdict
from rig.analysis.wording import with_u
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.trend_points import Trends, trends_of
from rig.console.widgets.history_table import HistoryLine, HistoryTable
from rig.console.widgets.trend import TrendLimit, TrendPoint, TrendView
from rig.console.worker_mail import hand_over
from rig.records.model import UnitHistory
from rig.run_values import BY_NAME, MEASURES, RunMeasure, RunValue

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class HistoryPane(Vertical):
    """A trend over a list; both tell the runs by the same numbers, the oldest first run 1."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    HistoryPane > .line { height: 1; padding: 0 1; }
    HistoryPane #history-title { width: 1fr; }
    HistoryPane Select { width: 30; }
    HistoryPane Select > SelectCurrent { background: $panel; padding: 0 1; }
    HistoryPane Select:focus > SelectCurrent { background: $primary 25%; text-style: bold reverse; }
    HistoryPane TrendView { height: 1fr; margin: 0 1; }
    HistoryPane HistoryTable { height: 8; }
    .-tall HistoryPane HistoryTable { height: 14; }
    HistoryPane #history-trouble { display: none; height: 1fr; padding: 1 2; }
    HistoryPane.-trouble #history-trouble { display: block; }
    HistoryPane.-trouble TrendView, HistoryPane.-trouble HistoryTable { display: none; }
    """

    class HistoryRead(Message):
        """A unit's history was read, or why not."""

        def __init__(self, asked: int, trends: Trends | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.trends = trends

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._asked = 0
        self._run_id: UUID | None = None
        self._trends: Trends | None = None
        self._marked: UUID | None = None

    def compose(self) -> ComposeResult:
        """Lay out title and measure, trend, list."""
        with Horizontal(classes="line"):
            yield Static("", id="history-title", markup=False)
            yield Select(
                [(measure.label, measure.name) for measure in MEASURES],
                allow_blank=False,
                value=MEASURES[0].name,
                compact=True,
                id="trend-measure",
            )
        yield TrendView()
        yield Static("", id="history-trouble", markup=False)
        yield HistoryTable()

    @property
    def table(self) -> HistoryTable:
        """The list."""
        return self.query_one(HistoryTable)

    @property
    def measure(self) -> RunMeasure:
        """The measure that is followed."""
        return BY_NAME[cast(str, self.query_one(Select).value)]

    def open(self, run_id: UUID) -> None:
        """Show the history of the unit that a run was made on, the cursor on that run."""
        self._run_id = run_id
        if self._trends is None or all(
            run.summary.run_id != run_id for run in self._trends.history.runs
        ):
            self._trends = None  # another unit's: nothing of it is left on the screen
            self.table.show([], self.measure.label.lower(), None)
            self.query_one("#history-title", Static).update("Reading the unit's runs.")
            self.query_one(TrendView).show([], [], empty="")
        else:
            self.table.choose(run_id)
        self.read_again()

    def read_again(self) -> None:
        """Read the history that is shown as it is in the record now; the cursor stays."""
        run_id = self._run_id
        if run_id is None:
            return
        self._asked += 1
        self._read(self.app.desk.reading, self._asked, run_id)

    def mark(self, marked: UUID | None) -> None:
        """Show which run is marked."""
        self._marked = marked
        if self._trends is not None:
            self._show()

    def next_measure(self) -> None:
        """Follow the next measure."""
        names = list(BY_NAME)
        self.query_one(Select).value = names[(names.index(self.measure.name) + 1) % len(names)]

    @work(thread=True, exclusive=True, group="history")
    def _read(self, reading: RecordsReader, asked: int, run_id: UUID) -> None:
        trends = or_sorry(lambda: trends_of(reading.history(run_id)))
        hand_over(self, self.HistoryRead(asked, trends))

    def on_history_pane_history_read(self, event: HistoryRead) -> None:
        """Show it, unless another unit was asked for since."""
        event.stop()
        if event.asked != self._asked:
            return
        trends = event.trends
        self.set_class(isinstance(trends, Sorry), "-trouble")
        if isinstance(trends, Sorry):
            self._trends = None
            self.query_one("#history-trouble", Static).update(trends.text)
            return
        self._trends = trends
        self._show()

    def on_select_changed(self, event: Select.Changed) -> None:
        """Follow another measure."""
        event.stop()
        if self._trends is not None:
            self._show()

    def _show(self) -> None:
        trends, measure = self._trends, self.measure
        assert trends is not None
        history, values = trends.history, trends.values[measure.name]
        self._title(history)
        self._trend(measure, values, trends.limits[measure.name])
        count = len(history.runs)
        lines = [
            HistoryLine(count - k, run.summary, _shown(value, measure))
            for k, (run, value) in enumerate(zip(history.runs, values, strict=True))
        ]
        chosen = self.table.chosen
        self.table.show(lines, measure.label.lower(), self._marked)
        self.table.choose(chosen.run_id if chosen else self._run_id)
        self.screen.refresh_bindings()  # what the table tells of it ends here, where it was filled

    def _title(self, history: UnitHistory) -> None:
        count = "1 run" if history.total == 1 else f"{history.total} runs"
        newest = f", the newest {len(history.runs)}" if len(history.runs) < history.total else ""
        text = Text(f"{history.serial} ({history.unit_type}), {count}{newest}", "bold")
        text.no_wrap, text.overflow = True, "ellipsis"
        self.query_one("#history-title", Static).update(text)

    def _trend(
        self,
        measure: RunMeasure,
        values: Sequence[RunValue | None],
        limit: tuple[float, str] | None,
    ) -> None:
        count = len(values)
        points = [
            TrendPoint(count - k, value.value, value.u, _mark(value))
            for k, value in enumerate(values)
            if value is not None
        ]
        self.query_one(TrendView).show(
            points,
            [TrendLimit(*limit)] if limit else [],
            caption=f"{measure.label}, {measure.unit}",
            empty=f"No run of this unit has measured the {measure.label.lower()}.",
        )


def _mark(value: RunValue) -> Verdict | None:
    verdict = value.run.summary.verdict
    return next((known for known in Verdict if known == verdict), None)


def _shown(value: RunValue | None, measure: RunMeasure) -> str:
    return "" if value is None else with_u(value.value, value.u, measure.unit)
