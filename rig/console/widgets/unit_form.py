"""The form of the bench screen: which unit, by which plan, from where, by whom."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.suggester import SuggestFromList
from textual.widgets import Input, Select

from rig.console.desk import Desk
from rig.console.widgets.field import Field, Pick
from rig.labels import NAME_LONGEST, SERIAL_LONGEST, trouble_with
from rig.records.model import Source

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole

SOURCES = {
    Source.NOT_TOLD: "not told",
    Source.OWN_REBUILD: "own rebuild",
    Source.CUSTOMER_JOB: "customer job",
    Source.DELIVERY_LOT: "delivery lot",
}
_NUMBER_OF = {
    Source.NOT_TOLD: "Job no.",
    Source.OWN_REBUILD: "Job no.",
    Source.CUSTOMER_JOB: "Job no.",
    Source.DELIVERY_LOT: "Lot no.",
}


class UnitForm(Vertical):
    """Fills in ``desk.choices``; what is there stays from one unit to the next.

    `Chosen` is posted when the plan is another; `Filled` when Enter in a field found nothing more
    to fill in.  Another station has a form of its own: picking it leads there.
    """

    app: HalfturnConsole

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "app.focus_next", "Next field", show=False),
        Binding("up", "app.focus_previous", "Previous field", show=False),
    ]
    DEFAULT_CSS = "UnitForm { height: auto; }"

    class Chosen(Message):
        """The plan was changed."""

    class Filled(Message):
        """There is nothing more to fill in."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk

    # --- fields --------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """Lay the fields out."""
        choices = self._desk.choices
        names = [station.name for station in self._desk.settings.stations]
        stations = Pick(
            [(Text(name), name) for name in names],
            allow_blank=False,
            value=choices.station,
            compact=True,
            id="station",
        )
        plans: Pick[str] = Pick([], prompt="choose a plan", compact=True, id="plan")
        sources = Pick(
            [(word, source) for source, word in SOURCES.items()],
            allow_blank=False,
            value=choices.source,
            compact=True,
            id="source",
        )
        yield Field("Station", stations, id="station-field")
        yield Field("Plan", plans, id="plan-field")
        yield Field("Unit", _text("serial", "type or scan", choices.serial), id="serial-field")
        yield Field("From", sources, id="source-field")
        number = _NUMBER_OF[choices.source]
        yield Field(number, _text("reference", "", choices.reference), id="reference-field")
        yield Field("Operator", _text("operator", "", choices.operator), id="operator-field")

    def on_mount(self) -> None:
        """Offer the plans there are."""
        self.show_all()

    @property
    def serial(self) -> Input:
        """The field of the unit's serial number."""
        return self.query_one("#serial", Input)

    def show_all(self) -> None:
        """Show the desk's choices and the plans there are now."""
        choices = self._desk.choices
        plans = self.query_one("#plan", Select)
        names = list(self._desk.plans())
        with self.prevent(Select.Changed):
            if choices.plan and choices.plan not in names:
                names.append(choices.plan)  # gone since: said beside it, and still to be seen
            plans.set_options((Text(name), name) for name in names)
            plans.value = choices.plan or Select.NULL
            self.query_one("#station", Select).value = choices.station
            self.query_one("#source", Select).value = choices.source
        with self.prevent(Input.Changed):
            for name in ("serial", "reference", "operator"):
                field = self.query_one(f"#{name}", Input)
                if field.value.strip() != getattr(choices, name):
                    field.value = getattr(choices, name)

    def to_serial(self) -> None:
        """Go to the unit's serial number, all of it marked: what is typed takes its place."""
        self.serial.focus()
        self.serial.select_all()

    def go_on_typing(self) -> None:
        """Go to the unit's serial number, behind what is there."""
        field = self.serial
        field.select_on_focus = False
        self.screen.set_focus(field)
        field.cursor_position = len(field.value)
        self.call_after_refresh(self._mark_again)

    def _mark_again(self) -> None:
        self.serial.select_on_focus = True

    def suggest(self, serials: list[str]) -> None:
        """Complete what is typed as the unit to one of these."""
        self.serial.suggester = SuggestFromList(serials, case_sensitive=False)

    def take_unit(self, serial: str) -> None:
        """Fill in the unit's serial number."""
        self.serial.value = serial
        self.serial.focus()

    # --- what is wrong -------------------------------------------------------------------------

    def troubles(self) -> dict[str, str]:
        """Return what is wrong, a sentence by the name of its field, in the fields' order."""
        choices = self._desk.choices
        found: dict[str, str] = {}
        if not choices.plan:
            found["plan"] = "Choose the plan to run: Enter opens the list."
        for name, said, longest in (
            ("serial", "The serial number", SERIAL_LONGEST),
            ("reference", "The number", NAME_LONGEST),
            ("operator", "The name", NAME_LONGEST),
        ):
            wrong = trouble_with(getattr(choices, name), longest)
            if wrong:
                found[name] = f"{said} {wrong}"
        if not choices.serial:
            found["serial"] = "Which unit is on the jig? Type or scan its serial number."
        return found

    def show_troubles(self, *, only: str | None = None) -> bool:
        """Tell at each field, or at ``only`` one, what is wrong there; True if nothing is."""
        troubles = self.troubles()
        for name in ("plan", "serial", "reference", "operator"):
            if only in (None, name):
                self.query_one(f"#{name}-field", Field).trouble(troubles.get(name, ""))
        return not (troubles if only is None else only in troubles)

    def to_trouble(self) -> None:
        """Put the focus where something is wrong."""
        for name in self.troubles():
            self.query_one(f"#{name}").focus()
            return

    # --- events --------------------------------------------------------------------------------

    @on(Select.Changed)
    def _selected(self, event: Select.Changed) -> None:
        event.stop()
        choices, value = self._desk.choices, event.value
        match event.select.id:
            case "station":
                self._to_station(str(value))
            case "plan":
                choices.plan = "" if value is Select.NULL else str(value)
                self.show_troubles(only="plan")
                self.post_message(self.Chosen())
            case _ if isinstance(value, Source):
                choices.source = value
                self.query_one("#reference-field", Field).rename(_NUMBER_OF[value])

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        name = event.input.id or ""
        setattr(self._desk.choices, name, event.value.strip())
        # Told when it is left or sent; taken away as soon as it is mended.
        if name not in self.troubles() or getattr(self._desk.choices, name):
            self.show_troubles(only=name)

    @on(Input.Submitted)
    def _submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.entered(event.input.id or "")

    def entered(self, name: str) -> None:
        """Go on from field ``name`` to what is still to be filled in; Enter never does more."""
        if not self.show_troubles(only=name):
            self._to(name)
            return
        choices = self._desk.choices
        has_number = choices.source in (Source.CUSTOMER_JOB, Source.DELIVERY_LOT)
        if name == "serial" and not choices.reference and has_number:
            self._to("reference")
        elif name != "operator" and not choices.operator:
            self._to("operator")
        elif not choices.plan:
            self._to("plan")
        elif not choices.serial:
            self._to("serial")
        else:
            self.post_message(self.Filled())

    def _to_station(self, name: str) -> None:
        with self.prevent(Select.Changed):  # this form stays that of its own station
            self.query_one("#station", Select).value = self._desk.choices.station
        desk = self.app.desks.of(name)
        if desk is not None:
            self.app.choose(desk)

    def _to(self, name: str) -> None:
        # Not `focus()`, which comes later: the next scan may be on its way.
        self.screen.set_focus(self.query_one(f"#{name}"))


def _text(name: str, prompt: str, value: str) -> Input:
    return Input(value, placeholder=prompt, compact=True, id=name)
