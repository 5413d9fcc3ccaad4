"""The Gauge screen: gauge studies, the next trial made as a run, what they came to."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.message import Message
from textual.widgets import Static

from rig.console.dialogs.new_gauge import NewGaugeDialog
from rig.console.letters import letter
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.screens.study import StudyScreen, or_none_yet
from rig.console.widgets.share_bars import ShareBars
from rig.console.worker_mail import hand_over
from rig.labels import NAME_LONGEST
from rig.quality.gauge_fit import Fitness
from rig.records.study_model import StudyKept, TrialKept
from rig.studies.gauge import GaugeResults, MeasureStudied
from rig.studies.gauge_words import progress_words, table_lines, trial_words
from rig.studies.simulated import chance_of_trial

NONE_YET = (
    "There is no gauge study yet.\n\n"
    "A gauge study tells how much of what is measured is the rig's own: some units, each measured "
    "several times by several people, in a drawn order.\n\n"
    "N sets one up here; so does the command  halfturn gauge new"
)


class GaugeScreen(StudyScreen):
    """One study and one of its measures at a time."""

    place = "gauge"
    guide = (
        "How much of what is measured is the rig's own? A gauge study measures some units several "
        "times by several people, in a drawn order. F9 begins the next trial as an ordinary run, "
        "in the name of whose turn it is; another day will do as well. R sets the trial made last "
        "aside, with the reason, so that it is made again. V shows the next measure, S the next "
        "study; N sets a new one up. The dashed lines stand at 10 and 30 %: below the first a "
        "gauge is good, above the second it is not."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f9", "trial", "Next trial", key_display="F9", tooltip="begin its run"),
        letter("v", "next_measure", "Measure", "the next one of this study"),
        letter("s", "next_study", "Study", "the next one, set up before"),
        letter("n", "new", "New", "set a study up"),
        letter("r", "repeat", "Repeat", "set the trial made last aside, with the reason"),
        Binding("escape", "back", "Rig", key_display="Esc", tooltip="back to Rig"),
    ]
    DEFAULT_CSS = """
    GaugeScreen #gauge-body { padding: 0 1; }
    GaugeScreen #gauge-line { height: auto; max-height: 2; text-style: bold; }
    GaugeScreen #gauge-next { height: auto; max-height: 3; }
    GaugeScreen #gauge-measure { height: 1; margin-top: 1; text-style: underline; }
    GaugeScreen ShareBars { height: 8; }
    GaugeScreen.-tall ShareBars { height: 14; margin-top: 1; }
    GaugeScreen #gauge-table { height: auto; margin-top: 1; color: $text-muted; display: none; }
    GaugeScreen.-tall #gauge-table { display: block; }
    GaugeScreen #gauge-fit-part { height: 1fr; }
    GaugeScreen #gauge-fit { height: auto; }
    GaugeScreen #gauge-fit.-unfit { color: $error; text-style: bold; }
    GaugeScreen #gauge-fit.-marginal { color: $warning; }
    GaugeScreen #gauge-none { display: none; height: 1fr; padding: 1 2; }
    GaugeScreen.-none #gauge-none { display: block; }
    GaugeScreen.-none #gauge-body { display: none; }
    """

    class Read(Message):
        """The studies and the results of one; or why they could not be read."""

        def __init__(
            self, asked: int, found: tuple[list[StudyKept], GaugeResults | None] | Sorry
        ) -> None:
            super().__init__()
            self.asked = asked
            self.found = found

    def __init__(self) -> None:
        super().__init__()
        self._studies: list[StudyKept] = []
        self._results: GaugeResults | None = None
        self._study_name = ""
        self._measure = 0

    def body(self) -> ComposeResult:
        """Lay out how far the study is, the chart, and how fit the rig is."""
        yield Static("", id="gauge-none", markup=False)
        with Vertical(id="gauge-body"):
            yield Static("", id="gauge-line", markup=False)
            yield Static("", id="gauge-next", markup=False)
            yield Static("", id="gauge-measure", markup=False)
            yield ShareBars(id="gauge-bars")
            with VerticalScroll(id="gauge-fit-part", can_focus=False):
                yield Static("", id="gauge-fit", markup=False)
                yield Static("", id="gauge-table", markup=False)

    # --- what is shown -------------------------------------------------------------------------

    @property
    def study(self) -> StudyKept | None:
        """The study that is shown, as it was read last."""
        return None if self._results is None else self._results.study

    @property
    def studied(self) -> MeasureStudied | None:
        """The measure that is shown; None if no run has one yet."""
        results = self._results
        if results is None or not results.measures:
            return None
        return results.measures[self._measure % len(results.measures)]

    def read_again(self) -> None:
        """Read the studies, and the results of the one that is shown."""
        self._read(self.desk.reading, self.ask_again(), self._study_name)

    @work(thread=True, exclusive=True, group="gauge")
    def _read(self, reading: RecordsReader, asked: int, name: str) -> None:
        def read() -> tuple[list[StudyKept], GaugeResults | None]:
            studies = reading.gauge_studies()
            names = [study.name for study in studies]
            chosen = name if name in names else next(iter(names), "")
            return studies, reading.gauge_results(chosen) if chosen else None

        hand_over(self, self.Read(asked, or_sorry(read)))

    def on_gauge_screen_read(self, event: Read) -> None:
        """Show them."""
        event.stop()
        if not self.was_asked_last(event.asked):
            return
        found = event.found
        self._studies, self._results = ([], None) if isinstance(found, Sorry) else found
        if self._results is None:
            said = or_none_yet(found, NONE_YET) if isinstance(found, Sorry) else NONE_YET
            self.query_one("#gauge-none", Static).update(said)
        else:
            self._study_name = self._results.study.name
        self.set_class(self._results is None, "-none")
        self._show()

    def _show(self) -> None:
        study, studied = self.study, self.studied
        self.refresh_bindings()
        if study is None:
            return
        names = [each.name for each in self._studies]
        of = f" ({names.index(study.name) + 1} of {len(names)})" if len(names) > 1 else ""
        self.query_one("#gauge-line", Static).update(
            f"{study.name}{of}, plan {study.plan_name}, station {study.station}"
        )
        progress = progress_words(study)
        more = " F9 begins it." if study.next_trial is not None else ""
        self.query_one("#gauge-next", Static).update(f"{progress[0].upper()}{progress[1:]}.{more}")
        measure = self.query_one("#gauge-measure", Static)
        bars, fit = self.query_one(ShareBars), self.query_one("#gauge-fit", Static)
        if studied is None:
            measure.update("")
            bars.show(None, empty="No trial is made yet.")
            fit.update("")
            self.query_one("#gauge-table", Static).update("")
            return
        count = len(self._results.measures) if self._results else 0
        measure.update(
            f"{studied.measure.label}, {studied.measure.unit}  "
            f"({self._measure % count + 1} of {count}: V)"
        )
        said = "" if studied.fit is None else studied.fit.text
        bars.show(studied.result, empty="" if studied.result else "No result yet.")
        if studied.result is not None:
            categories = studied.result.categories
            said = f"{said}\nClasses of these units told apart: {categories}."
        fit.update(said or studied.missing)
        table = [] if studied.result is None else list(table_lines(studied.result))
        self.query_one("#gauge-table", Static).update("\n".join(table))
        fitness = None if studied.fit is None else studied.fit.fitness
        fit.set_class(fitness is Fitness.UNFIT, "-unfit")
        fit.set_class(fitness is Fitness.MARGINAL, "-marginal")

    # --- actions -------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        study = self.study
        match action:
            case "trial":
                return self.is_read and study is not None and study.next_trial is not None
            case "next_measure":
                return self.studied is not None
            case "next_study":
                return len(self._studies) > 1
            case "repeat":
                return self.is_read and self._last_made() is not None
        return super().check_action(action, parameters)

    def _last_made(self) -> TrialKept | None:
        """Return the trial whose run that counts is the newest."""
        study = self.study
        made = [] if study is None else [trial for trial in study.trials if trial.run is not None]
        return max(made, key=lambda trial: trial.runs[-1].started_at, default=None)

    def action_next_measure(self) -> None:
        """Show the next measure."""
        self._measure += 1
        self._show()

    def action_next_study(self) -> None:
        """Show the study set up before this one."""
        names = [study.name for study in self._studies]
        at = names.index(self._study_name) if self._study_name in names else 0
        self._study_name = names[(at + 1) % len(names)]
        self.read_again()

    def action_new(self) -> None:
        """Set a study up, and show it."""

        def closed(name: str | None) -> None:
            if name is not None:
                self._study_name = name
                self.read_again()

        self.app.push_screen(NewGaugeDialog(self.desk), closed)

    def action_trial(self) -> None:
        """Begin the run of the next trial."""
        study = self.study
        trial = None if study is None else study.next_trial
        if study is None or trial is None:
            return
        plan = self.kept_plan(study.plan_text, study.plan_name, "study")
        if plan is None:
            return
        order = self.order_for(
            plan,
            trial.part,
            study.station,
            trial.operator,
            study.name[:NAME_LONGEST],
            chance_of_trial(study, trial),
        )
        if order is None:
            return
        if self.app.begin(replace(order, gauge_trial=trial.trial_id)):
            self.app.go("live")
            self.say(f"This is {trial_words(trial)}.")

    def action_repeat(self) -> None:
        """Ask why, and set the run of the trial made last aside."""
        study, trial = self.study, self._last_made()
        if study is None or trial is None:
            return
        reading = self.desk.reading
        self.ask_reason(
            trial_words(trial),
            "Repeat",
            "why its run does not count: a bad connection, a rig fault",
            lambda reason: reading.set_aside(study.name, trial.position, reason),
        )
