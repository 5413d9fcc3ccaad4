"""The Golden screen: the rig's golden units, their checks on control charts, a check made now."""

from __future__ import annotations

from typing import ClassVar
from uuid import UUID

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.widgets import Static

from rig.console.dialogs.declare import DeclareDialog
from rig.console.letters import letter
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.screens.study import StudyScreen, or_none_yet
from rig.console.widgets.control_chart import ControlChartView
from rig.console.worker_mail import hand_over
from rig.plans import PlanError
from rig.records.golden_said import GoldenStanding
from rig.studies.golden import GoldenState, MeasureCharted
from rig.studies.golden_words import left_out_words
from rig.studies.simulated import chance_of_check

NONE_YET = (
    "No unit is golden on this rig yet.\n\n"
    "A golden unit is one that is known to be good and kept for this alone. Checked by the same "
    "plan every day, it tells whether the rig is still the one that it was: before it judges "
    "anybody's unit.\n\n"
    "D declares one here; so does the command  halfturn golden declare"
)
_WORDS = {
    GoldenStanding.OUT: "OUT OF CONTROL",
    GoldenStanding.DUE: "check due",
    GoldenStanding.BASELINE: "baseline",
    GoldenStanding.LOOK: "in control, look",
    GoldenStanding.IN_CONTROL: "in control",
}


class GoldenScreen(StudyScreen):
    """One golden unit, one measure at a time: single checks over steps over the smoothed value."""

    place = "golden"
    guide = (
        "Is the rig still the one that it was? A golden unit, known to be good, is checked by the "
        "same plan again and again; the first checks set the limits, those after them are held "
        "against them. X is out of control: judge no unit before you know why. F9 makes a check "
        "now, V shows the next measure, N the next golden unit, D declares one; B begins new "
        "limits after a repair or a calibration, with the reason."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f9", "check", "Check", key_display="F9", tooltip="now: a run of the golden unit"),
        letter("v", "next_measure", "Measure", "the next one of this golden unit"),
        letter("n", "next_unit", "Unit", "the next golden unit"),
        letter("d", "declare", "Declare", "another unit golden"),
        letter("b", "baseline", "Baseline", "a new one: new limits from the next checks on"),
        Binding("escape", "back", "Rig", key_display="Esc", tooltip="back to Rig"),
    ]
    DEFAULT_CSS = """
    GoldenScreen #golden-body { padding: 0 1; }
    GoldenScreen #golden-line { height: 1; }
    GoldenScreen #golden-text { height: auto; max-height: 5; color: $text-muted; }
    GoldenScreen #golden-text.-out { color: $error; text-style: bold; }
    GoldenScreen #golden-text.-warned { color: $warning; text-style: bold; }
    GoldenScreen #golden-text.-good { color: $success; }
    GoldenScreen #golden-none { display: none; height: 1fr; padding: 1 2; }
    GoldenScreen.-none #golden-none { display: block; }
    GoldenScreen.-none #golden-body { display: none; }
    GoldenScreen ControlChartView { margin-top: 0; }
    GoldenScreen.-short #chart-steps { display: none; }
    GoldenScreen.-tall ControlChartView { margin-top: 1; }
    """

    class Read(Message):
        """The golden units' states, or why they could not be read."""

        def __init__(self, asked: int, states: list[GoldenState] | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.states = states

    def __init__(self) -> None:
        super().__init__()
        self._states: list[GoldenState] = []
        self._at = 0
        self._declared: UUID | None = None  # to be shown once it is read
        self._measure = 0

    def body(self) -> ComposeResult:
        """Lay out who and how it stands, and the charts."""
        yield Static("", id="golden-none", markup=False)
        with Vertical(id="golden-body"):
            yield Static("", id="golden-line", markup=False)
            yield Static("", id="golden-text", markup=False)
            yield ControlChartView("values", id="chart-values")
            yield ControlChartView("steps", id="chart-steps")
            yield ControlChartView("smoothed", id="chart-smoothed")

    # --- what is shown -------------------------------------------------------------------------

    @property
    def state(self) -> GoldenState | None:
        """The golden unit that is shown."""
        return self._states[self._at % len(self._states)] if self._states else None

    @property
    def charted(self) -> MeasureCharted | None:
        """The measure that is shown."""
        state = self.state
        if state is None or not state.charts:
            return None
        return state.charts[self._measure % len(state.charts)]

    def read_again(self) -> None:
        """Read the golden units and their checks."""
        desk = self.desk
        self._read(desk.reading, self.ask_again(), desk.settings.golden.every_days, desk.simulated)

    @work(thread=True, exclusive=True, group="golden")
    def _read(self, reading: RecordsReader, asked: int, every_days: int, simulated: bool) -> None:
        found = or_sorry(lambda: reading.golden(None, every_days, simulated=simulated))
        hand_over(self, self.Read(asked, found))

    def on_golden_screen_read(self, event: Read) -> None:
        """Show them."""
        event.stop()
        if not self.was_asked_last(event.asked):
            return
        states = event.states
        self._states = [] if isinstance(states, Sorry) else states
        ids = [state.golden.golden_id for state in self._states]
        if self._declared in ids:
            self._at, self._declared = ids.index(self._declared), None
        if not self._states:
            said = or_none_yet(states, NONE_YET) if isinstance(states, Sorry) else NONE_YET
            self.query_one("#golden-none", Static).update(said)
        self.set_class(not self._states, "-none")
        self._measure = self._worst_measure()
        self._show()

    def _worst_measure(self) -> int:
        """Return the measure to show first: one that is out, else the one shown before."""
        charts = () if self.state is None else self.state.charts
        out = [
            k for k, each in enumerate(charts) if each.chart.points and each.chart.points[-1].alarm
        ]
        return self._measure if not out or self._measure in out else out[0]

    def _show(self) -> None:
        state, charted = self.state, self.charted
        self.refresh_bindings()
        if state is None:
            return
        golden, baseline = state.golden, state.baseline
        of = f" ({self._at % len(self._states) + 1} of {len(self._states)})"
        which = of if len(self._states) > 1 else ""
        self.query_one("#golden-line", Static).update(
            f"{golden.serial}{which}, {golden.plan_name}, station {golden.station}: "
            f"{_WORDS.get(state.standing, '')}. Baseline {baseline.number}: {baseline.reason}, "
            f"{baseline.began_at.astimezone():%Y-%m-%d}"
        )
        line = self.query_one("#golden-text", Static)
        line.update(f"{state.text} {left_out_words(state)}".rstrip())
        line.set_class(state.standing is GoldenStanding.OUT, "-out")
        line.set_class(state.standing in (GoldenStanding.DUE, GoldenStanding.LOOK), "-warned")
        line.set_class(state.standing is GoldenStanding.IN_CONTROL, "-good")
        for view in self.query(ControlChartView):
            if charted is None:
                view.show(None, empty="No measure of it is known to this program.")
            else:
                measure = charted.measure
                view.show(
                    charted.chart,
                    caption=f"{measure.label}, {measure.unit}",
                    empty=f"No check has measured the {measure.label.lower()} yet.",
                )

    # --- actions -------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        match action:
            case "check" | "baseline":
                return self.is_read and bool(self._states)
            case "next_measure":
                return bool(self._states)
            case "next_unit":
                return len(self._states) > 1
        return super().check_action(action, parameters)

    def action_next_measure(self) -> None:
        """Show the next measure."""
        self._measure += 1
        self._show()

    def action_next_unit(self) -> None:
        """Show the next golden unit."""
        self._at += 1
        self._show()

    def action_declare(self) -> None:
        """Declare a unit golden, and show it."""

        def closed(golden_id: UUID | None) -> None:
            if golden_id is not None:
                self._declared = golden_id
                self.read_again()

        self.app.push_screen(DeclareDialog(self.desk), closed)

    def action_check(self) -> None:
        """Begin a run of the golden unit by its plan."""
        state = self.state
        if state is None:
            return
        golden = state.golden
        plans = self.desk.plans()
        try:
            if golden.plan_name not in plans:
                self.say(f"There is no plan {golden.plan_name} here any more.", error=True)
                return
            plan = self.desk.plan(golden.plan_name)
        except PlanError as error:
            self.say(f"The plan {golden.plan_name} has mistakes: {error}", error=True)
            return
        order = self.order_for(
            plan,
            golden.serial,
            golden.station,
            self.desk.choices.operator,
            "golden check",
            chance_of_check(golden, state.made),
        )
        if order is not None and self.app.begin(order):
            self.app.go("live")

    def action_baseline(self) -> None:
        """Ask why, and begin a new baseline."""
        state = self.state
        if state is None:
            return
        golden, reading = state.golden, self.desk.reading
        operator = self.desk.choices.operator
        self.ask_reason(
            golden.serial,
            "New baseline of",
            "what was done to the rig: a repair, a calibration",
            lambda reason: reading.new_baseline(golden.golden_id, reason, operator),
        )
