"""What the simulated world of the next job begins with: the unit, its angle, its battery."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Input, Select

from drivers.backends import option_range
from rig.console.desk import Desk
from rig.console.widgets.field import Field, Pick

SEED_MOST = 999_999_999

_SPREAD = {"1": "a little off its type", "0": "exactly its type"}
# Field -> option of the simulated bench, its unit, what an empty field means.
_NUMBERS = {
    "angle": ("angle_deg", "degrees", "a unit parked at stop"),
    "battery": ("supply_v", "V", "the battery of the rig file"),
}


class WorldForm(Vertical):
    """Fills in ``seed`` and ``extra`` of the desk's choices; what is wrong is not taken over."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "app.focus_next", "Next field", show=False),
        Binding("up", "app.focus_previous", "Previous field", show=False),
    ]

    DEFAULT_CSS = "WorldForm { height: auto; } WorldForm Field .name { padding-left: 0; }"

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk

    def compose(self) -> ComposeResult:
        """Lay the fields out."""
        battery_v = self._desk.settings.battery_v
        yield Field("Unit no.", _number("seed", ""), id="seed-field")
        yield Field("Differs", self._spread(), id="spread-field")
        yield Field("Stands at", _number("angle", "parked at stop"), id="angle-field")
        yield Field("Battery", _number("battery", f"{battery_v:g} V"), id="battery-field")

    def _spread(self) -> Pick[str]:
        return Pick(
            [(words, value) for value, words in _SPREAD.items()],
            allow_blank=False,
            value=self._desk.choices.extra.get("spread", "1"),
            compact=True,
            id="spread",
        )

    def on_mount(self) -> None:
        """Show the desk's choices."""
        self.show_all()

    def show_all(self) -> None:
        """Show the desk's choices, what is wrong being forgotten."""
        choices = self._desk.choices
        with self.prevent(Input.Changed, Select.Changed):
            self.query_one("#seed", Input).value = str(choices.seed)
            self.query_one("#spread", Select).value = choices.extra.get("spread", "1")
            for name, (option, _, _) in _NUMBERS.items():
                self.query_one(f"#{name}", Input).value = choices.extra.get(option, "")
        for field in self.query(Field):
            field.trouble("")

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        event.stop()
        name, text = event.input.id or "", event.value.strip()
        trouble = self._take_seed(text) if name == "seed" else self._take_number(name, text)
        self.query_one(f"#{name}-field", Field).trouble(trouble)

    @on(Select.Changed)
    def _spread_chosen(self, event: Select.Changed) -> None:
        event.stop()
        extra = self._desk.choices.extra
        if event.value != extra.get("spread", "1"):
            extra["spread"] = str(event.value)

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        event.stop()
        self.screen.focus_next()

    def _take_seed(self, text: str) -> str:
        if not (text.isascii() and text.isdigit() and int(text[:12]) <= SEED_MOST):
            return f"The unit's number is a whole number from 0 to {SEED_MOST}; 1 will do."
        self._desk.choices.seed = int(text)
        return ""

    def _take_number(self, name: str, text: str) -> str:
        option, unit, empty_means = _NUMBERS[name]
        extra = self._desk.choices.extra
        if not text:
            extra.pop(option, None)
            return ""
        low, high = option_range(option)
        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if not low <= number <= high:
            return f"Give a number from {low:g} to {high:g} {unit}, or nothing for {empty_means}."
        extra[option] = f"{number:g}"
        return ""


def _number(name: str, prompt: str) -> Input:
    return Input(placeholder=prompt, compact=True, id=name)
