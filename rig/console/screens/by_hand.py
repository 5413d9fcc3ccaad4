"""The By hand screen: the feeds made by held keys, with the guard active."""

from __future__ import annotations

from time import monotonic
from typing import ClassVar

from rich.text import Text
from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Input, Select, Static

from rig.bench.commands import FIRST_LEASE_S
from rig.bench.events import BenchEvent
from rig.bench.order import ByHandOrder
from rig.console.desks import NO_SERIAL
from rig.console.holding import BATTERY, BOTH, IGNITION, OFF, Feeds, HeldFeeds
from rig.console.job_state import JobState, hand_state, is_ready
from rig.console.letters import letter
from rig.console.plan_outlook import told
from rig.console.screens.watching import WatchingScreen
from rig.console.turn_rows import touch_rows, turn_rows
from rig.console.widgets.hold_button import HoldButton
from rig.console.widgets.too_small import is_large_enough
from rig.console.widgets.touch_list import TouchList
from rig.feasible import check_plan_on_rig
from rig.labels import SERIAL_LONGEST, trouble_with
from rig.plans import Plan
from rig.schema import MistakesError

KEYS = {"b": BATTERY, "i": IGNITION, "space": BOTH, "m": BOTH}
HOW = (
    "Feel a unit out without a plan's steps. The plan chosen above lends its unit type, its limits "
    "and its guard; everything is recorded.\n\n"
    "A feed is made as long as its key is held, and broken when you let go. A terminal does not "
    "tell when a key is let go, only that it repeats: a short tap keeps the feed made for up to "
    "0.75 s, a key held longer for 0.3 s after the last repeat. Any other key, another screen or a "
    "dialog lets go at once, and so does a mouse button that comes up or leaves."
)


class ByHandScreen(WatchingScreen):
    """Makes and breaks the feeds by held keys or mouse buttons."""

    place = "by_hand"
    guide = (
        f"{HOW}\n\nF9 begins; the cautions come first. B makes the battery feed, I the ignition "
        "feed, Space (or M) both; another of these keys takes over without a gap. To turn a unit "
        "to run hold Space, to turn it back to stop hold B. When the guard has tripped, let go "
        "for a second before you feed again. F12 ends."
    )
    AUTO_FOCUS = ""
    rolling = True
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f9", "begin", "Begin", key_display="F9", tooltip="the cautions come first"),
        letter("b", "tap('b')", "Battery"),
        letter("i", "tap('i')", "Ignition"),
        Binding("space,m,M", "tap('space')", "Both", key_display="Space"),
    ]
    DEFAULT_CSS = """
    ByHandScreen #begin-part { height: 1; padding: 0 1; margin-bottom: 1; }
    ByHandScreen #begin-part Static { width: auto; padding: 0 1; color: $text-muted; }
    ByHandScreen #plan { width: 24; }
    ByHandScreen #plan:focus > SelectCurrent { text-style: bold reverse; }
    ByHandScreen #serial:focus { text-style: bold underline; }
    ByHandScreen #serial { width: 1fr; background: $panel; padding: 0 1; }
    ByHandScreen #begin { margin-left: 2; min-width: 14; }
    ByHandScreen #trouble { height: auto; padding: 0 1; color: $error; }
    ByHandScreen #how { height: auto; padding: 1 2; }
    ByHandScreen #work { height: 1fr; }
    ByHandScreen #keys { height: 1; }
    ByHandScreen #feeds { height: 1; padding: 0 1; }
    ByHandScreen.-tall #keys { height: 3; margin-bottom: 1; }
    ByHandScreen.-tall HoldButton { height: 3; border: round $primary; }
    ByHandScreen.-tall TouchList { height: 8; margin-top: 1; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.held = HeldFeeds()
        # The last key, when it was pressed and when it was seen last; whether a scanner types.
        self._feed_key = ("", float("-inf"), float("-inf"))
        self._scanning = False
        self._plans_shown: tuple[list[str], str] | None = None
        self._unit_shown = ""  # what Bench's unit was when it was filled in here
        self._feeds_shown: tuple[Feeds, str] | None = None
        self.feeds_line = Static("", id="feeds", markup=False)
        self.buttons = (
            HoldButton(BATTERY, "B", "battery", id="hold-battery"),
            HoldButton(IGNITION, "I", "ignition", id="hold-ignition"),
            HoldButton(BOTH, "Space", "both", id="hold-both"),
        )

    def body(self) -> ComposeResult:
        """Lay out state, what is needed to begin, and the work itself."""
        yield self.state_line
        with Horizontal(id="begin-part"):
            yield Static("Plan")
            yield Select([], id="plan", compact=True, allow_blank=True, prompt="no plan")
            yield Static("Unit")
            yield Input(id="serial", compact=True, placeholder=NO_SERIAL)
            yield Button("Begin  F9", id="begin", compact=True, action="screen.begin")
        yield Static("", id="trouble", markup=False)
        yield Static(HOW, id="how", markup=False)
        with Vertical(id="work"):
            yield from self.numbers(
                ("current", "current, A"),
                ("voltage", "voltage, V"),
                ("half-turn", "half-turn, s"),
                ("count", "half-turns"),
            )
            yield from self.middle()
            yield self.rig_lists[1]
            yield self.feeds_line
            with Horizontal(id="keys"):
                yield from self.buttons
            yield TouchList()

    def on_mount(self) -> None:
        """Let go as soon as the terminal loses the focus."""
        self.watch(self.app, "app_focus", self._on_app_focus, init=False)

    # --- what is shown --------------------------------------------------------------------------

    def is_mine(self) -> bool:
        """Work by hand is shown here."""
        return self.desk.live.by_hand

    @property
    def working(self) -> bool:
        """Tell whether the feeds are worked by hand now."""
        return self.desk.live.by_hand and self.desk.live.on

    @property
    def can_feed(self) -> bool:
        """Tell whether held feeds are made: when the cautions are accepted, and all can be seen."""
        return self.working and is_ready(self.desk.live) and is_large_enough(self.size)

    def job_state(self) -> JobState:
        """Return how the work stands."""
        turn = self.picture.turn
        return hand_state(self.desk, float("-inf") if turn is None else turn.start_s)

    def nothing(self) -> str:
        """Return what the chart says before the first sample."""
        return "nothing yet"

    def show_all(self) -> None:
        """Show the desk's present state from scratch."""
        self._show_plans()
        self._show_unit()
        self._show_parts()
        super().show_all()
        self._show_touches()

    def on_news(self, event: BenchEvent) -> None:
        """Show what has fallen."""
        super().on_news(event)
        self._show_parts()
        self._show_touches()

    def _show_plans(self) -> None:
        names, chosen = list(self.desk.plans()), self.desk.choices.plan
        if (names, chosen) == self._plans_shown:
            return
        # What is chosen on Bench since then counts again; until then, what is chosen here.
        self._plans_shown = (names, chosen)
        select: Select[str] = self.query_one("#plan", Select)
        select.set_options((Text(name), name) for name in names)
        if names:
            select.value = chosen if chosen in names else names[0]

    def _show_unit(self) -> None:
        """Fill in Bench's unit, unless another was typed here."""
        field, serial = self.query_one("#serial", Input), self.desk.choices.serial
        if field.value.strip() in ("", self._unit_shown):
            field.value = self._unit_shown = serial

    def _show_parts(self) -> None:
        live = self.desk.live
        self.query_one("#begin-part").display = not live.on
        self.query_one("#how").display = not live.by_hand
        self.query_one("#work").display = live.by_hand
        self.feeds_line.display = self.query_one("#keys").display = self.working
        if live.on:
            self.set_focus(None)
            self._say_trouble("")
        if not self.working:
            self.held.let_go()

    def _show_touches(self) -> None:
        rows = touch_rows(self.desk.live) if self.is_mine() else []
        self.query_one(TouchList).show(rows)

    def draw_numbers(self) -> None:
        """Draw current, voltage, this half-turn's time and how many there were."""
        if not self.is_mine():
            return
        numbers = self.picture.numbers()
        self.number("current", numbers.current_a)
        self.number("voltage", numbers.voltage_v)
        self.number("half-turn", numbers.half_turn_s)
        self.number("count", str(len(turn_rows(self.desk.live))))
        self._show_feeds()

    def _show_feeds(self) -> None:
        asked = self.held.asked(monotonic()) if self.working else OFF
        for button in self.buttons:
            button.disabled = not self.can_feed
            button.held = button.feeds == asked
        tail = self.desk.tail
        made = "not known"
        if self.desk.fresh:
            on_now = Feeds(tail.last("battery_feed") > 0, tail.last("ignition_feed") > 0)
            made = feed_words(on_now)
        shown = (asked, made)
        if shown != self._feeds_shown:
            self._feeds_shown = shown
            self.feeds_line.update(f"Held: {feed_words(asked)}.  Made: {made}.")

    # --- beginning ------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what can be done now."""
        if action == "begin":
            return not self.desk.live.on
        if action == "tap":
            return self.can_feed
        return super().check_action(action, parameters)

    def action_begin(self) -> None:
        """Hand the work to the bench, or say what is missing."""
        serial = self.query_one("#serial", Input).value.strip() or NO_SERIAL
        wrong = trouble_with(serial, SERIAL_LONGEST)
        if wrong:
            self._say_trouble(f"The unit's number {wrong}")
            self.query_one("#serial").focus()
            return
        plan = self._plan()
        if plan is None:
            self.query_one("#plan").focus()
            return
        desk = self.desk
        order = ByHandOrder(
            desk.settings,
            desk.station,
            plan,
            serial,
            operator=desk.choices.operator,
            source=desk.choices.source,
            reference=desk.choices.reference,
            backend=desk.backend,
            options=desk.options(),
            ask_operator=True,
        )
        if self.app.begin(order):
            self.show_all()

    def _plan(self) -> Plan | None:
        """Return the plan chosen if it can lend its guard here; else say why not."""
        select: Select[str] = self.query_one("#plan", Select)
        if select.is_blank():
            self._say_trouble("There is no plan that could lend limits and guard. See F2.")
            return None
        try:
            plan = self.desk.plan(str(select.value))
        except MistakesError as error:
            self._say_trouble(f"{told(error.mistakes[0])} Choose another plan; F2 shows all of it.")
            return None
        # What its steps ask of the rig is nothing to work by hand.
        mistakes = check_plan_on_rig(plan, self.desk.settings, self.desk.station)
        of_station = [mistake for mistake in mistakes if mistake.key.startswith("station")]
        if of_station:
            self._say_trouble(f"{told(of_station[0])} Choose another plan or station (F2).")
            return None
        return plan

    def _say_trouble(self, sentence: str) -> None:
        self.query_one("#trouble", Static).update(sentence)
        self.query_one("#trouble").display = bool(sentence)

    @on(Input.Submitted, "#serial")
    def _serial_typed(self) -> None:
        """Let a scanner's Enter lead to the button and no further."""
        self._to_begin()

    def _to_begin(self) -> None:
        self.spare_enter()
        self.query_one("#begin").focus()

    # --- holding --------------------------------------------------------------------------------

    def on_frame(self) -> None:
        """Draw, and keep what the mouse holds."""
        if self.working and self.app.screen is self:
            hold = self.held.renew(monotonic())
            if hold is not None:
                self.desk.tell(hold)
        super().on_frame()

    async def on_key(self, event: events.Key) -> None:
        """Feed by the keys of the feeds; any other key lets go, and so does a scanned label."""
        if not self.can_feed:
            self.let_go()
            return
        feeds = KEYS.get(event.key.lower())
        if event.is_printable:
            event.stop()
            event.prevent_default()
        if self._is_scanned(event) or feeds is None:
            self.let_go()
            return
        hold = self.held.key(feeds, event.time, monotonic())
        if hold is not None:
            self.desk.tell(hold)

    def _is_scanned(self, event: events.Key) -> bool:
        """Tell whether another key was pressed just before: no hand is so quick, no scan may feed.

        One that was held until then is no such key: this one takes over from it.
        """
        key, at_s, within_s = event.key.lower(), event.time, self.app.scanner_s
        before, pressed_s, seen_s = self._feed_key
        soon = 0.0 <= at_s - seen_s < within_s
        other = key != before and seen_s - pressed_s < within_s
        self._scanning = soon and (self._scanning or other)
        same = key == before and at_s - seen_s < FIRST_LEASE_S
        self._feed_key = (key, pressed_s if same else at_s, at_s)
        return self._scanning

    def scanned(self, label: str) -> None:
        """Take a scanned label as the unit here, unless the feeds are worked already."""
        if self.desk.live.on:
            super().scanned(label)
        else:
            self.query_one("#serial", Input).value = label
            self._to_begin()

    def action_tap(self, key: str) -> None:
        """Feed as a tap of ``key`` does; keys themselves are seen before their bindings."""
        hold = self.held.key(KEYS[key], monotonic(), monotonic())
        if hold is not None:
            self.desk.tell(hold)

    @on(HoldButton.Held)
    def _mouse_held(self, event: HoldButton.Held) -> None:
        hold = self.held.mouse_down(event.feeds, event.at_s, monotonic()) if self.can_feed else None
        if hold is not None:
            self.desk.tell(hold)

    @on(HoldButton.LetGo)
    def let_go(self) -> None:
        """Have the feeds off now, if any is held."""
        if self.held.holds:
            self.desk.tell(self.held.let_go())

    def on_resize(self, event: events.Resize) -> None:
        """Let go when the terminal becomes too small to show what the feeds do."""
        if not is_large_enough(event.size):
            self.let_go()

    def on_screen_suspend(self) -> None:
        """Let go when another screen or a dialog comes to the front."""
        self.let_go()

    def _on_app_focus(self, focus: bool) -> None:
        if not focus:
            self.let_go()


def feed_words(feeds: Feeds) -> str:
    """Return which feeds, in words."""
    names = [name for name, on in (("battery", feeds.battery), ("ignition", feeds.ignition)) if on]
    return " and ".join(names) or "none"
