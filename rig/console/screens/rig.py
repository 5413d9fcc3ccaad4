"""The Rig screen: stations as wired, readings with the feeds off, zero, and the self-check."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button

from rig.bench.commands import Stop
from rig.bench.events import BenchEvent, CheckItem, Noted, ZeroFound
from rig.bench.order import CalibrationOrder, RigCheckOrder
from rig.console.dialogs.calibrate import CalibrateDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.letters import letter
from rig.console.places import GAUGE, GOLDEN
from rig.console.rig_facts import ZeroWords, last_check_words, zero_words
from rig.console.rig_job import is_calibration, is_full, rig_state, why_not
from rig.console.rig_readings import reading_rows
from rig.console.rig_state import sensor_word
from rig.console.screen import DeskScreen
from rig.console.widgets.check_list import CheckList
from rig.console.widgets.readings import Readings
from rig.console.widgets.state_line import StateLine
from rig.console.widgets.wiring_view import WiringView
from rig.references import references_of

_NO_ZERO_YET = "R reads it: it takes a second."
_ZERO_COMES = "It takes a second of readings."


class RigScreen(DeskScreen):
    """The rig itself.  Readings are on only while this screen is; a self-check goes on without."""

    place = "rig"
    guide = (
        "Here the rig itself is looked at, station by station: how the rig file says it is wired, "
        "what is simulated and what is real, and what is unwise. R reads sensors and switches "
        "live with the feeds off and finds the current sensor's zero. C is the self-check: each "
        "relay clicked with no unit fitted, emergency stop and switches pressed when asked. K "
        "calibrates the station against a reference of the rig file in the unit's place. "
        "None of them works while a run is on. G tells whether the rig is in control today, by its "
        "golden units; U leads to gauge studies."
    )
    CSS_PATH = "rig.tcss"
    AUTO_FOCUS = "#read"
    BINDINGS: ClassVar[list[BindingType]] = [
        letter("r", "read", "Read", "the sensors with the feeds off, or end it"),
        letter(
            "c", "check", "Check", "self-check: relays, switches, emergency stop: no unit fitted"
        ),
        letter("k", "calibrate", "Calibrate", "against a reference, the unit taken off"),
        letter("s", "next_station", "Station", "choose it for what comes"),
        letter("g", "golden", "Golden", "is the rig in control, by its golden units"),
        letter("u", "gauge", "Gauge", "gauge studies: what of a value is the rig's own"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._then: bool | None = None  # what begins when this job is over: True a self-check
        self._was: tuple[bool, bool] | None = None

    def body(self) -> ComposeResult:
        """Lay out wiring, readings and self-check."""
        yield StateLine(id="rig-state")
        with Horizontal(id="rig"):
            yield WiringView(id="wiring")
            with Vertical(id="rig-right", classes="-read"):
                with Horizontal(id="rig-buttons"):
                    yield Button("", id="read", action="screen.read", compact=True)
                    yield Button("Self-check  C", id="full", action="screen.check", compact=True)
                    yield Button(
                        "Calibrate  K", id="calibrate", action="screen.calibrate", compact=True
                    )
                yield Readings(id="readings")
                yield CheckList(id="check")

    # --- what is shown -------------------------------------------------------------------------

    @property
    def _reading(self) -> bool:
        live = self.desk.live
        return live.on and live.rig_check and not is_full(live)

    def show_all(self) -> None:
        """Show the rig as it is known now."""
        self.query_one(WiringView).show(self.desk)
        self._show_job()
        self._show_items()
        self.on_frame()

    def _show_job(self) -> None:
        """Show what can be asked for now."""
        live = self.desk.live
        self._was = (live.on, is_full(live))
        self.query_one("#read", Button).label = "Stop  R" if self._reading else "Read  R"
        idle = not live.on or live.rig_check
        self.query_one("#read", Button).disabled = not idle or (live.on and is_full(live))
        for name in ("full", "calibrate"):
            self.query_one(f"#{name}", Button).disabled = not idle or (live.on and is_full(live))
        right = self.query_one("#rig-right")
        right.set_class(is_full(live), "-check")
        right.set_class(not is_full(live), "-read")
        self.refresh_bindings()

    def _show_items(self) -> None:
        live = self.desk.live
        check = self.query_one(CheckList)
        check.entitle("Calibration" if is_calibration(live) else "Self-check")
        if is_full(live):
            check.show(live.items.values())
        else:
            check.tell_last(last_check_words(self.desk.last_check))
        self.query_one(Readings).show_zero(self._zero())

    def _zero(self) -> ZeroWords | str:
        live = self.desk.live
        zero = live.zero
        trouble = [note.text for note in live.notes if note.kind == "sensor"]
        if self._reading and trouble and sensor_word(self.desk.tail) != "good":
            return trouble[-1]  # whatever zero was found before is not that of this moment
        if zero is None or zero.station != self.desk.choices.station:
            return _ZERO_COMES if self._reading else _NO_ZERO_YET
        return zero_words(zero, self.desk.settings)

    def on_news(self, event: BenchEvent) -> None:
        """Show items and zero as they come."""
        if isinstance(event, CheckItem | ZeroFound | Noted):
            self._show_items()

    def on_frame(self) -> None:
        """Show the readings, how the job stands, and begin what waits for its end."""
        desk = self.desk
        live = desk.live
        if (live.on, is_full(live)) != self._was:
            self._show_job()
            self._show_items()
        self.query_one(StateLine).show(rig_state(desk))
        fresh = desk.fresh and live.rig_check
        rows = reading_rows(desk.tail, desk.settings, desk.station, fresh=fresh)
        self.query_one(Readings).show(rows)
        if self._then is not None and not live.on and not self._is_read_elsewhere():
            full, self._then = self._then, None
            self._begin(full)

    def _is_read_elsewhere(self) -> bool:
        """Tell whether the readings of the station that was left are still about to end."""
        return any(desk.live.on and desk.live.rig_check for desk in self.app.desks)

    # --- actions -------------------------------------------------------------------------------

    def _begin(self, full: bool) -> None:
        desk = self.desk
        order = RigCheckOrder(desk.settings, desk.station, desk.backend, desk.options(), full)
        if self.app.begin(order):
            self._show_job()
            self._show_items()
            if full:
                self.query_one(CheckList).focus_items()

    def _may(self) -> bool:
        """Tell whether the rig may be looked at; says why not."""
        live = self.desk.live
        reason = why_not(live)
        if not reason and live.on and is_full(live):
            what = "calibration" if is_calibration(live) else "self-check"
            reason = f"The {what} is on. F12 breaks it off."
        if reason:
            self.say(reason, error=True)
        return not reason

    def _stop_reading(self) -> None:
        self.desk.tell(Stop("the readings were ended"))

    def action_read(self) -> None:
        """Begin to read the sensors, or end it."""
        if not self._may():
            return
        if self._reading:
            self._then = None
            self._stop_reading()
        else:
            self._begin(False)

    def action_check(self) -> None:
        """Begin the self-check, after the readings if they are on."""
        if not self._may():
            return
        if self._reading:
            self._then = True
            self._stop_reading()
        else:
            self._begin(True)

    def action_golden(self) -> None:
        """Go to the golden units' charts."""
        self.app.go(GOLDEN.name)

    def action_gauge(self) -> None:
        """Go to the gauge studies."""
        self.app.go(GAUGE.name)

    def action_calibrate(self) -> None:
        """Ask what to calibrate against, then begin."""
        if not self._may():
            return
        if self._reading:
            self.say("The sensors are being read. R ends that; then calibrate.")
            return
        desk = self.desk
        there = references_of(desk.settings.references, simulated=desk.has_world)
        if there:
            self.app.push_screen(CalibrateDialog(desk, there), self._calibrate)
        else:
            text = (
                "The rig file names no reference to hold the station against. Add one, with its "
                "certificate's uncertainty, as [[reference]] in rig.toml (README, Calibrating the "
                "rig), and open the console again."
            )
            self.app.push_screen(MessageDialog("Nothing to calibrate against", text))

    def _calibrate(self, order: CalibrationOrder | None) -> None:
        if order is not None and self.app.begin(order):
            self._show_job()
            self._show_items()
            self.query_one(CheckList).focus_items()

    def action_next_station(self) -> None:
        """Go on to the rig's next station, and read its sensors if these are being read."""
        if not self.app.desks.several:
            self.say("This rig has one station only.")
            return
        goes_on = self._reading
        self.app.action_next_station()
        there = self.app.place_screen
        if goes_on and isinstance(there, RigScreen) and not there.desk.live.on:
            there.read_when_shown()

    def read_when_shown(self) -> None:
        """Begin to read the sensors as soon as this screen is there."""
        self._then = False

    def on_screen_suspend(self) -> None:
        """End the readings if another place is gone to; a dialog on top is none."""
        self.call_later(self._end_if_left)

    def _end_if_left(self) -> None:
        if self.app.place_screen is not self:
            self._then = None
            if self._reading:
                self._stop_reading()
