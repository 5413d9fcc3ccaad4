"""The Sim screen: the simulated bench's unit and faults, and everything that can be done to it."""

from __future__ import annotations

from typing import ClassVar

from rich.table import Table
from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from drivers.backends import fault_kinds
from rig.bench.commands import Meddle
from rig.bench.events import BenchEvent, Noted, RunBegan
from rig.bench.order import RigCheckOrder
from rig.console.dialogs.fault import FaultDialog
from rig.console.known_world import KnownWorld, known_world, split_fault
from rig.console.letters import letter
from rig.console.screen import DeskScreen
from rig.console.widgets.world_form import WorldForm
from rig.console.widgets.world_now import DEEDS, DeedButtons, WorldLog, WorldState

# What fits in 80 columns; the buttons tell all of them.
_IN_FOOTER = {"jam": "Jam", "free": "Free", "press": "E-stop", "unplug": "Unplug"}


class WorldScreen(DeskScreen):
    """Before a job: what its world begins with.  While one is on: what is done to it."""

    place = "world"
    guide = (
        "Here the simulated bench is made to misbehave. Before a job, choose the unit, its battery "
        "and the faults it begins with; they stay until you change them. While a job is on, jam "
        "the lever, press the emergency stop, unplug the sensor, or apply and clear any fault; "
        "what was done is listed with its time. A real bench has no such screen."
    )
    CSS_PATH = "world.tcss"
    AUTO_FOCUS = "#faults-on"
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            letter(
                deed.key,
                f"do('{deed.name}')",
                _IN_FOOTER.get(deed.name, deed.words),
                show=deed.name in _IN_FOOTER,
            )
            for deed in DEEDS
        ),
        Binding("ctrl+f", "fault", "Fault", key_display="^F"),
        Binding("delete", "clear_fault", "Clear it", key_display="Del"),
    ]

    def __init__(self) -> None:
        super().__init__()
        kinds = fault_kinds()
        self._units = {kind.name: kind.unit for kind in kinds}
        self._shared = {kind.name for kind in kinds if kind.shared}
        self._was_on: bool | None = None

    def body(self) -> ComposeResult:
        """Lay out what is, what can be done, and what came of it."""
        with Horizontal(id="world"):
            with VerticalScroll(id="world-left", can_focus=False):
                yield Static("", id="world-title", markup=False)
                yield WorldForm(self.desk)
                yield WorldState(id="world-state")
                yield Static("", id="faults-title", markup=False)
                yield OptionList(id="faults-on", compact=True, markup=False)
                with Horizontal(id="fault-buttons"):
                    yield Button("Add  ^F", id="add-fault", action="screen.fault", compact=True)
                    yield Button(
                        "Clear  Del", id="clear-fault", action="screen.clear_fault", compact=True
                    )
            with Vertical(id="world-right"):
                yield Static("", id="deeds-title", markup=False)
                yield DeedButtons()
                yield Static("What came of it", id="log-title", markup=False)
                with VerticalScroll(id="log"):
                    yield WorldLog()

    # --- what is shown -------------------------------------------------------------------------

    @property
    def _on(self) -> bool:
        return self.desk.live.on

    def _world(self) -> KnownWorld:
        """Return the world as known: of the job that is on, or as the next one begins."""
        live = self.desk.live
        if live.on and live.job is not None:
            return known_world(live.job.options.faults, live.notes)
        return known_world(self.desk.choices.faults, ())

    def show_all(self) -> None:
        """Show the world as it is known now."""
        form = self.query_one(WorldForm)
        form.display = not self._on
        form.disabled = self._on
        self.query_one(DeedButtons).disabled = not self._on
        if self._on is not self._was_on:
            self._was_on = self._on
            form.show_all()
            self.query_one("#faults-on").focus()
        self._show_words()
        self._show_world()
        self.refresh_bindings()

    def _show_words(self) -> None:
        job = self.desk.live.job
        if not self._on:
            title, deeds = "The next job begins with", "While a job is on you can"
        elif job is None or isinstance(job, RigCheckOrder):
            title, deeds = "The world that is on", "Do to it"
        else:
            title, deeds = f"The world of {job.unit_serial}", "Do to it"
        self.query_one("#world-title", Static).update(title)
        self.query_one("#deeds-title", Static).update(deeds)
        self.query_one("#faults-title", Static).update(
            "Faults that are on" if self._on else "Faults from the start"
        )

    def _show_world(self) -> None:
        world = self._world()
        state = self.query_one(WorldState)
        state.display = self._on
        state.show(world)
        self._show_faults(world)
        self.query_one(WorldLog).show(self.desk.live.notes)

    def _show_faults(self, world: KnownWorld) -> None:
        shown = self.query_one("#faults-on", OptionList)
        at = shown.highlighted
        shown.clear_options()
        shown.add_options(
            Option(self._fault_line(name, degree), id=name) for name, degree in world.faults.items()
        )
        if not world.faults:
            shown.add_option(Option("none", disabled=True))
        elif at is not None:
            shown.highlighted = min(at, len(world.faults) - 1)
        else:
            shown.highlighted = 0
        self.query_one("#clear-fault").disabled = not world.faults

    def _fault_line(self, name: str, degree: str) -> Table:
        number, _, after = degree.partition(" ")
        unit = self._units.get(name.rpartition(":")[2], "")
        degree = " ".join(part for part in (number, unit if number else "", after) if part)
        grid = Table.grid(padding=(0, 1), expand=True)
        grid.add_column(ratio=1, no_wrap=True)
        grid.add_column(justify="right", no_wrap=True)
        grid.add_row(Text(name, style="bold"), Text(degree))
        return grid

    def on_news(self, event: BenchEvent) -> None:
        """Show what was done to the world."""
        if isinstance(event, Noted | RunBegan):
            self._show_world()

    def on_frame(self) -> None:
        """Change over when a job begins or ends."""
        if self._on is not self._was_on:
            self.show_all()

    # --- actions -------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer deeds only while there is a world to do them to."""
        if action == "do":
            return self._on
        return super().check_action(action, parameters)

    def action_do(self, name: str) -> None:
        """Do one of the deeds to the world that is on."""
        deed = next(deed for deed in DEEDS if deed.name == name)
        job = self.desk.live.job
        detail = dict(deed.detail)
        if deed.action == "fit_unit" and job is not None and not isinstance(job, RigCheckOrder):
            detail["serial"] = job.unit_serial
        self._meddle(deed.action, **detail)

    def _meddle(self, action: str, **detail: str) -> None:
        job = self.desk.live.job
        station = {"station": job.station.name} if job is not None else {}
        self.desk.tell(Meddle(action, {**detail, **station}))

    def action_fault(self) -> None:
        """Choose a fault, and apply it or have the next job begin with it."""
        self._choose_fault()

    @on(OptionList.OptionSelected, "#faults-on")
    def _change_fault(self, event: OptionList.OptionSelected) -> None:
        name = event.option.id or ""
        self._choose_fault(name, self._world().faults.get(name, "").partition(" ")[0])

    def _choose_fault(self, name: str = "", degree: str = "") -> None:
        def chosen(fault: str | None) -> None:
            if fault is None:
                return
            fault = self._here(fault)
            if self._on:
                self._meddle("apply_fault", fault=fault)
                return
            kept = _without(self.desk.choices.faults, split_fault(fault)[0])
            self.desk.choices.faults = (*kept, fault)
            self._show_world()

        self.app.push_screen(FaultDialog(name.rpartition(":")[2], degree), chosen)

    def _here(self, fault: str) -> str:
        """Return a fault as it is asked for at this station, where there are others."""
        if not self.app.desks.several or split_fault(fault)[0] in self._shared:
            return fault
        return f"{self.desk.choices.station}:{fault}"

    def action_clear_fault(self) -> None:
        """Take the fault that is marked away."""
        shown = self.query_one("#faults-on", OptionList)
        faults = list(self._world().faults)
        if not faults or shown.highlighted is None:
            self.say("There is no fault to clear.")
            return
        name = faults[min(shown.highlighted, len(faults) - 1)]
        if self._on:
            self._meddle("clear_fault", name=name)
            return
        self.desk.choices.faults = _without(self.desk.choices.faults, name)
        self._show_world()


def _without(faults: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(fault for fault in faults if split_fault(fault)[0] != name)
