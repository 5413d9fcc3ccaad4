"""The Bench screen: choose unit and plan, see what is wrong before anything is fed, start."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar, TypeVar

from textual import events, on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Button, Input, OptionList, Select, Static
from textual.widgets.option_list import Option

from rig.bench.commands import GoOn, Pause, RepeatStep
from rig.bench.events import BenchEvent
from rig.bench.order import IsolationOrder, RunOrder
from rig.console.dialogs.message import MessageDialog
from rig.console.left import Doubt
from rig.console.live_job import Phase
from rig.console.plan_outlook import PlanOutlook, look_at, told
from rig.console.recent import RecentUnit, golden_warning, recent_units
from rig.console.records_reader import RecordsReader, Sorry
from rig.console.scanner import LABEL_ENDS, is_of_a_label
from rig.console.screen import DeskScreen
from rig.console.widgets.job_card import JobCard
from rig.console.widgets.plan_view import PlanView
from rig.console.widgets.unit_form import UnitForm
from rig.console.worker_mail import hand_over
from rig.feasible import check_isolation_on_rig
from rig.plans import DEFAULT_PLAN, Plan

# A scanner sends a character every few milliseconds; a person who types one and stops wants to go
# on in the field (s, guess).
SCAN_OVER_S = 0.3
ISOLATE = "find out what is wrong with a suspect unit, test by test"
APART = "a run that goes on when the console is left: endurance overnight"


Ordered = TypeVar("Ordered", bound=RunOrder)


class BenchScreen(DeskScreen):
    """Form on the left, the chosen plan read out on the right."""

    place = "bench"
    guide = (
        "Fill in what is on the jig and choose a plan; the plan is read out on the right, with "
        "whatever keeps it from starting on this rig. A scanner types the serial number: it may be "
        "used at any time, and its Enter never starts a run. F9 starts; nothing is fed before the "
        "cautions are accepted. What is filled in stays from one unit to the next."
    )
    CSS_PATH = "bench.tcss"
    AUTO_FOCUS = "#serial"
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(key, action, name, key_display=shown, tooltip=tells)
            for key, shown, action, name, tells in (
                ("f9", "F9", "start", "Start", "a run of this plan; the cautions come first"),
                ("ctrl+g", "^G", "isolate", "Isolate", ISOLATE),
                ("ctrl+o", "^O", "start_apart", "Start apart", APART),
                ("f9", "F9", "pause", "Pause", "when the half-turn that is on is over"),
                ("f9", "F9", "go_on", "Go on", "end the pause"),
                ("ctrl+r", "^R", "repeat_step", "Repeat step", "when it is over"),
                (
                    "ctrl+l",
                    "^L",
                    "read_again",
                    "Read again",
                    "the plan: its file may be another now",
                ),
                ("escape", "Esc", "to_unit", "Unit", "go to the unit's serial number"),
            )
        ),
    ]

    class RecentFound(Message):
        """The units tested last, newest first, or why the records cannot be read; and what golden
        units have whoever begins a run know.
        """

        def __init__(self, units: list[RecentUnit] | Sorry, golden: str) -> None:
            super().__init__()
            self.units = units
            self.golden = golden

    def __init__(self) -> None:
        super().__init__()
        self._chosen = PlanOutlook()
        self._shown: object = None
        self._records_trouble = ""
        self._golden = ""
        self._scanned = ""
        self._scan_timer: Timer | None = None

    def body(self) -> ComposeResult:
        """Lay out form and plan."""
        with Horizontal(id="bench"):
            with VerticalScroll(id="bench-left", can_focus=False):
                yield UnitForm(self.desk)
                with Vertical(id="start-part"):
                    yield Button("Start the run   F9", id="start", action="screen.start")
                    yield Button(
                        "Isolate a fault   ^G", id="isolate", action="screen.isolate", compact=True
                    )
                    yield Static("", id="ready", markup=False)
                    yield Static("Tested last", id="recent-title")
                    yield OptionList(id="recent", compact=True, markup=False)
                yield JobCard()
            yield PlanView(id="plan-view")

    # --- what is shown -------------------------------------------------------------------------

    @property
    def form(self) -> UnitForm:
        """The form of the unit on the jig."""
        return self.query_one(UnitForm)

    def show_all(self) -> None:
        """Show the desk's choices, read the plan and the last units again."""
        self.form.show_all()
        self._read_plan()
        self._show_job()
        desk = self.desk
        self._find_recent(
            desk.reading, desk.station.name, desk.settings.golden.every_days, desk.simulated
        )
        if not self.desk.live.on:
            self.form.to_serial()

    def _read_plan(self) -> None:
        self._chosen = look_at(self.desk)
        self.query_one(PlanView).show(
            self._chosen, programmable=self.desk.settings.supply.programmable
        )
        self._show_ready()

    def _show_ready(self) -> None:
        line = self.query_one("#ready", Static)
        missing = self.form.troubles()
        if self._chosen.troubles:
            words = "Not ready: see beside why."
        elif missing:
            names = {
                "plan": "plan",
                "serial": "unit",
                "reference": "number",
                "operator": "operator",
            }
            words = f"Not ready: {', '.join(names[name] for name in missing)}."
        else:
            words = "Ready: F9, then the cautions."
        ready = not (missing or self._chosen.troubles or self._records_trouble)
        if self._records_trouble:
            words = (
                f"Nothing could be recorded: {self._records_trouble} The console takes another "
                "file with --records."
            )
        line.update(" ".join([words, *self._before_the_next()]))
        line.set_class(ready, "-ready")

    def _before_the_next(self) -> Iterator[str]:
        """Yield what the last job left to be known before the next begins."""
        if self._golden:
            yield self._golden
        left = self.desk.left
        if left.feeds is Doubt.NOT_KNOWN:
            yield "The bench process has gone: press the emergency stop. F9 starts another."
        if left.midway and self.desk.choices.serial in ("", left.midway):
            yield f"The lever of {left.midway} may stand midway and turns on as soon as it is fed."

    def _show_job(self) -> None:
        live = self.desk.live
        shown = (live.phase, live.step, live.pause_wanted, live.repeat_wanted, live.stop_wanted)
        if shown == self._shown:
            return
        was_on, self._shown = self.form.disabled, shown
        self._show_ready()
        self.form.disabled = live.on
        self.form.display = not live.on
        self.query_one("#start-part").display = not live.on
        card = self.query_one(JobCard)
        card.display = live.on
        if live.on:
            card.show(live)
            if not was_on:
                self.query_one("#do-watch" if not live.rig_check else "#do-stop").focus()
        self.refresh_bindings()

    def on_news(self, event: BenchEvent) -> None:
        """Show how far the job is."""
        self._show_job()

    def on_frame(self) -> None:
        """Show wishes as they are made."""
        self._show_job()

    # --- units tested last ---------------------------------------------------------------------

    @work(thread=True, exclusive=True, group="recent")
    def _find_recent(
        self, reading: RecordsReader, station: str, every_days: int, simulated: bool
    ) -> None:
        golden = golden_warning(reading, station, every_days, simulated=simulated)
        hand_over(self, self.RecentFound(recent_units(reading), golden))

    def on_bench_screen_recent_found(self, event: RecentFound) -> None:
        """Offer the units tested last."""
        event.stop()
        units, self._golden = event.units, event.golden
        self._records_trouble = units.text if isinstance(units, Sorry) else ""
        self._show_ready()
        if isinstance(units, Sorry):
            units = []
        self.form.suggest([unit.serial for unit in units])
        shown = self.query_one("#recent", OptionList)
        shown.clear_options()
        shown.add_options(Option(f"{u.serial}  {u.came_out}", id=u.serial) for u in units)
        shown.display = self.query_one("#recent-title").display = bool(units)

    @on(OptionList.OptionSelected, "#recent")
    def _recent_chosen(self, event: OptionList.OptionSelected) -> None:
        self.form.take_unit(event.option.id or "")

    # --- filling in ----------------------------------------------------------------------------

    @on(UnitForm.Chosen)
    def _other_plan(self) -> None:
        self._read_plan()
        self.show_head()

    @on(UnitForm.Filled)
    def _filled(self) -> None:
        self._show_ready()
        # Not the button: a scanner that sends Enter twice would press it.
        self.query_one(PlanView).focus()

    @on(Input.Changed)
    @on(Select.Changed)
    def _changed(self) -> None:
        self._show_ready()

    # --- a scanner -----------------------------------------------------------------------------

    async def on_key(self, event: events.Key) -> None:
        """Take what a scanner types anywhere but in a field as the unit's serial number.

        The focus stays where it is until the scanner is done: moved at the first character, it
        would let later ones overtake those on their way.  Its Enter presses no button.
        """
        event.prevent_default()  # other screens take a label elsewhere
        if self.is_covered(event):
            return
        if event.key in LABEL_ENDS and self._scanned:
            event.stop()
            self.spare_enter()
            self._scan_over(entered=True)
            return
        if self.is_held(event):
            return
        character = event.character or ""
        if isinstance(self.focused, Input):
            self.tell_left_out(character)
        # In the midst of a label such a character belongs to it, and the form refuses it.
        of_a_label = event.is_printable or (self._scanned and is_of_a_label(character))
        if not of_a_label or self.query(".-expanded"):
            return
        if character == " " and not self._scanned:
            return  # opens a list
        event.stop()
        self._scanned += character
        if not self.desk.live.on:
            self.form.serial.value = self._scanned
        if self._scan_timer is not None:
            self._scan_timer.stop()
        self._scan_timer = self.set_timer(SCAN_OVER_S, self._scan_over)

    def _scan_over(self, *, entered: bool = False) -> None:
        scanned, self._scanned = self._scanned, ""
        if self._scan_timer is not None:
            self._scan_timer.stop()
        if not scanned:
            return
        if self.desk.live.on:
            if entered:
                self.scanned(scanned)  # which says that it is too early
            return
        if entered:
            self.form.entered("serial")
        else:
            self.form.go_on_typing()

    # --- actions -------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        live = self.desk.live
        run_on = live.on and not live.by_hand and not live.rig_check
        match action:
            case "start" | "isolate" | "read_again" | "to_unit":
                return not live.on
            case "start_apart":
                return not live.on and self.desk.open_apart is not None
            case "pause":
                return run_on and live.phase is not Phase.PAUSED
            case "go_on":
                return live.phase is Phase.PAUSED
            case "repeat_step":
                return run_on and live.can_repeat
        return super().check_action(action, parameters)

    def action_start(self) -> None:
        """Start the run, or tell at the field what keeps it from starting."""
        self._start(detached=False)

    def _start(self, *, detached: bool) -> None:
        if not self._is_filled_in():
            return
        plan = self._chosen.plan
        if plan is None or self._chosen.troubles:
            self.query_one(PlanView).focus()
            self.say("Nothing was started: the plan cannot run here. Its reasons are beside.")
            return
        if self.app.begin(replace(self._order(RunOrder, plan), detached=detached)):
            self.app.go("live")

    def _is_filled_in(self) -> bool:
        """Read the plan again; go to the first field that is missing, if one is."""
        self._read_plan()
        filled = self.form.show_troubles()
        if not filled:
            self.form.to_trouble()
        return filled

    def _order(self, kind: type[Ordered], plan: Plan) -> Ordered:
        choices, desk = self.desk.choices, self.desk
        return kind(
            settings=desk.settings,
            station=desk.station,
            plan=plan,
            unit_serial=choices.serial,
            operator=choices.operator,
            source=choices.source,
            reference=choices.reference,
            backend=desk.backend,
            options=desk.options(),
            consent=False,
            ask_operator=True,
        )

    def action_isolate(self) -> None:
        """Begin to isolate a fault of the unit, or tell what keeps it from that."""
        choices = self.desk.choices
        lent = not choices.plan and DEFAULT_PLAN in self.desk.plans()
        if lent:
            choices.plan = DEFAULT_PLAN
            self.form.show_all()
            self.show_head()
        if not self._is_filled_in():
            return
        plan = self._chosen.plan
        if plan is None:
            self.query_one(PlanView).focus()
            self.say("Nothing was started: the plan cannot be used. Its reasons are beside.")
            return
        # The plan's own steps, which may not suit this rig, do not matter here.
        mistakes = check_isolation_on_rig(plan, self.desk.settings, self.desk.station)
        if mistakes:
            reasons = "\n\n".join(map(told, mistakes))
            self.app.push_screen(MessageDialog("No fault can be isolated here so", reasons))
        elif self.app.begin(self._order(IsolationOrder, plan)):
            self.app.go("isolate")
            if lent:
                self.say(f"Guarded by the plan {DEFAULT_PLAN}.")

    def action_start_apart(self) -> None:
        """Start the run on a bench that goes on when the console is left."""
        self._start(detached=True)

    def action_pause(self) -> None:
        """Pause when the half-turn that is on is over, or take that back."""
        self.desk.tell(GoOn() if self.desk.live.pause_wanted else Pause())
        self._show_job()

    def action_go_on(self) -> None:
        """End the pause."""
        self.desk.tell(GoOn())

    def action_repeat_step(self) -> None:
        """Do the step that is on once more when it is over, or take that back."""
        self.desk.tell(RepeatStep(wanted=not self.desk.live.repeat_wanted))
        self._show_job()

    def action_read_again(self) -> None:
        """Read the plans and the chosen one again."""
        self.form.show_all()
        self._read_plan()

    def action_to_unit(self) -> None:
        """Go to the unit's serial number."""
        self.form.to_serial()
