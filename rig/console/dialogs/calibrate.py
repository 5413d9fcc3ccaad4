"""What a station is to be calibrated against, before the calibration begins."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Footer, Input, Select, Static

from rig.bench.order import CHECK_MAX_A, CalibrationOrder
from rig.console.desk import Desk
from rig.console.feeds_off import Dialog
from rig.console.widgets.field import Field, Pick
from rig.labels import NAME_LONGEST, trouble_with
from rig.plans import largest_a_of
from rig.quality.calibration_words import standing_words
from rig.references import AMMETER, RESISTOR, VOLTMETER, ReferenceSettings, load_of

WHAT_IT_IS = (
    "Zero with the feeds off, then points against a reference in the unit's place. The feed is "
    "made for seconds at a time, when you say so; you type in what the meter showed. Nothing is "
    "stored before you accept what was found."
)


class CalibrateDialog(Dialog[CalibrationOrder | None]):
    """Dismissed with the order, None if it was left."""

    AUTO_FOCUS = "#current"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", key_display="Esc"),
        Binding("f9", "begin", "Begin", key_display="F9"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]
    CSS = """
    CalibrateDialog Field { margin-bottom: 0; }
    CalibrateDialog #calibrate-fields { height: auto; margin-top: 1; }
    CalibrateDialog #calibrate-standing { height: auto; margin-top: 1; color: $text-muted; }
    """

    def __init__(self, desk: Desk, references: Sequence[ReferenceSettings]) -> None:
        super().__init__()
        self._desk = desk
        self._named = {one.name: one for one in references}

    def compose(self) -> ComposeResult:
        """Lay out how it stands, the fields and the buttons."""
        desk = self._desk
        with Vertical(classes="dialog"):
            yield Static(
                f"Calibrate station {desk.station.name}", classes="dialog-title", markup=False
            )
            yield Static(WHAT_IT_IS, markup=False)
            if desk.calibration is not None:
                yield Static(
                    standing_words(desk.calibration), id="calibrate-standing", markup=False
                )
            with Vertical(id="calibrate-fields"):
                yield Field("Current", self._pick("current", (RESISTOR, AMMETER)), id="f-current")
                yield Field("Voltage", self._pick("voltage", (VOLTMETER,)), id="f-voltage")
                yield Field("Load ohm", _input("ohm", "about"), id="f-ohm")
                yield Field("Load W", _input("watt", "what it stands for good"), id="f-watt")
                yield Field(
                    "Operator", _input("by", "who calibrates", desk.choices.operator), id="f-by"
                )
            with Horizontal(classes="dialog-choices"):
                yield Button("Leave (Esc)", id="calibrate-leave", compact=True)
                yield Button("Begin (F9)", id="calibrate-begin", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    def _pick(self, id: str, kinds: tuple[str, ...]) -> Pick[str]:
        fits = [(f"{one.name} ({one.kind})", one.name) for one in self._named.values()]
        fits = [(words, name) for words, name in fits if self._named[name].kind in kinds]
        return Pick(fits or [("none in the rig file", "")], allow_blank=False, compact=True, id=id)

    def on_mount(self) -> None:
        """Show which fields are needed."""
        self._chosen()

    @on(Select.Changed)
    def _chosen(self) -> None:
        current = self._reference("current")
        ammeter = current is not None and current.kind == AMMETER
        for name in ("f-ohm", "f-watt"):
            self.query_one(f"#{name}").display = ammeter

    def _reference(self, id: str) -> ReferenceSettings | None:
        return self._named.get(str(self.query_one(f"#{id}", Select).value))

    def on_input_submitted(self) -> None:
        """Go on to the next field; F9 begins."""
        self.focus_next()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Begin, or leave."""
        if event.button.id == "calibrate-begin":
            self.action_begin()
        else:
            self.action_leave()

    def action_leave(self) -> None:
        """Close without calibrating."""
        self.dismiss(None)

    def action_begin(self) -> None:
        """Close with the order, or tell at the field what is missing."""
        desk = self._desk
        current, voltmeter = self._reference("current"), self._reference("voltage")
        operator = self.query_one("#by", Input).value.strip()
        load = load_of(current, _number(self, "ohm"), _number(self, "watt")) if current else None
        across = current is not None and current.kind == RESISTOR
        by = trouble_with(operator, NAME_LONGEST)
        troubles = {
            "f-current": "" if current else "The rig file names none: add a [[reference]].",
            "f-voltage": "A resistor needs a voltmeter." if across and not voltmeter else "",
            "f-ohm": "" if load or across else "Give ohms and watts of the load in series.",
            "f-by": f"The name {by}" if by else "",
        }
        for name, text in troubles.items():
            self.query_one(f"#{name}", Field).trouble(text)
        if any(troubles.values()) or current is None or load is None:
            return
        desk.choices.operator = operator or desk.choices.operator
        self.dismiss(
            CalibrationOrder(
                desk.settings,
                desk.station,
                desk.backend,
                desk.options(),
                full=True,
                current_reference=current.reference(),
                voltmeter=None if voltmeter is None else voltmeter.reference(),
                load_ohm=load[0],
                load_w=load[1],
                operator=operator,
                max_a=largest_a_of(desk.plans().values(), CHECK_MAX_A),
                ask_operator=True,
            )
        )


def _input(id: str, placeholder: str, value: str = "") -> Input:
    return Input(value, placeholder=placeholder, compact=True, id=id)


def _number(dialog: CalibrateDialog, id: str) -> float | None:
    try:
        return float(dialog.query_one(f"#{id}", Input).value.replace(",", "."))
    except ValueError:
        return None
