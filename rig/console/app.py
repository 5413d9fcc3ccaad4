"""The console application: the screens, the keys that work everywhere, and the pump of news."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from time import monotonic
from typing import ClassVar, Literal
from uuid import UUID

from textual import work
from textual.app import App
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.timer import Timer

from rig.bench.commands import Stop
from rig.bench.dates import wall_clock
from rig.bench.errors import BenchError
from rig.bench.events import Asked, BenchEvent, Refused, RigCheckEnded, RunEnded
from rig.bench.handle import BenchHandle
from rig.bench.order import ByHandOrder, Job, RunOrder
from rig.bench.requests import NEXT_TEST
from rig.console.desk import Desk
from rig.console.dialogs.actions import ActionsPalette
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.feeds_off import FEEDS_OFF_KEYS
from rig.console.feeds_words import feeds_of
from rig.console.held_keys import HeldKeys
from rig.console.live_job import Phase
from rig.console.lost_terminal import PatientDriver
from rig.console.places import CAUSES, GAUGE, GOLDEN, LOTS, OF_RIG, PLACES, places
from rig.console.rig_kept import RigKept, rig_kept
from rig.console.scanner import SCANNER_S
from rig.console.screen import DeskScreen
from rig.console.standing import StandingDialogs
from rig.console.theme import DAYLIGHT, FIELD
from rig.console.worker_mail import hand_over
from rig.records.golden_said import GoldenStanding, golden_standing

FRAMES_PER_S = 20
# How long a notice stays (s, guess): what is said by the way, what is urgent, and what is longer.
SAID_S, URGED_S, LONG_S = 4.0, 6.0, 10.0
# Where a run's end takes the operator to the verdict by itself.
WATCHED_FROM = frozenset({"bench", "live", "isolate", "verdict"})


def _how_to_print(run_id: UUID) -> str:
    """Return what to do for a sheet where whoever opened the console gave no printer of them."""
    return f"No printer of sheets here: `halfturn sheet make {str(run_id)[:8]}` makes it."


class HalfturnConsole(App[int]):
    """The operator's console at one desk."""

    TITLE = "halfturn"
    CSS_PATH = "console.tcss"
    COMMAND_PALETTE_DISPLAY = "Actions"
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012 - as Textual has it
    VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(FEEDS_OFF_KEYS, "feeds_off", "Feeds off", priority=True, key_display="F12"),
        Binding("f1", "guide", "Help", key_display="F1"),
        *(
            Binding(place.key, f"go('{place.name}')", place.title, show=False, priority=True)
            for place in PLACES
        ),
        Binding("ctrl+q", "quit", "Quit", show=False, priority=True),
        Binding("ctrl+t", "other_light", "Dark or light", show=False),
    ]

    def __init__(self, desk: Desk) -> None:
        super().__init__(driver_class=PatientDriver)
        self.desk = desk
        # Prints a run's sheet and says what came of it, in a sentence; called in a thread.
        self.print_sheet: Callable[[UUID], str] = _how_to_print
        self._standing = StandingDialogs(self)
        self._bound_for = ""
        self._pumping: Timer | None = None
        self.failure: Exception | None = None
        self.answer_keys = HeldKeys()
        self.action_keys = HeldKeys()
        self.scanner_s = SCANNER_S
        self._starting_apart = False
        self._urged_until_s = float("-inf")

    # --- life ----------------------------------------------------------------------------------

    def on_mount(self) -> None:
        """Open the bench screen and start the pump."""
        for theme in (FIELD, DAYLIGHT):
            self.register_theme(theme)
        self.theme = FIELD.name
        for place in (*places(self.desk.has_world), CAUSES, LOTS, *OF_RIG):
            self.install_screen(_screen(place.name), place.name)
        self.push_screen("bench")
        self._pumping = self.set_interval(1 / FRAMES_PER_S, self.pump)
        self.desk.warm_up()
        self._catch_signals()
        self.look_up_rig()
        if self.desk.live.on:
            self.action_watch()
            self.say("This run went on by itself. What happened in it so far is shown.")
        elif self.desk.bench_error:
            self.say(self.desk.bench_error, error=True)

    async def _close_all(self) -> None:
        """Stop pumping first: screens lose their widgets one by one."""
        if self._pumping is not None:
            self._pumping.stop()
        await super()._close_all()

    def _fatal_error(self) -> None:
        """Keep what went wrong for whoever opened the console; no traceback is drawn."""
        if not self._exit:  # a screen that was being laid out when we left found nothing there
            self.failure = self._exception
        self._close_messages_no_wait()

    def _catch_signals(self) -> None:
        # Python runs no clean-up on these by itself; the feeds must go off, the record be closed.
        loop = asyncio.get_running_loop()
        for number, status in ((signal.SIGTERM, 7), (signal.SIGHUP, 7)):
            try:
                loop.add_signal_handler(number, self._end_by_signal, status)
            except (NotImplementedError, RuntimeError, ValueError):
                return  # not the main thread: whoever started us handles signals

    def _end_by_signal(self, status: int) -> None:
        if not self.desk.goes_on:
            self.desk.tell(Stop("a signal ended the console", by_operator=False))
        self.exit(return_code=status)

    # --- what is kept of the rig -----------------------------------------------------------------

    class RigLookedUp(Message):
        """What the records hold of the rig itself."""

        def __init__(self, kept: RigKept) -> None:
            super().__init__()
            self.kept = kept

    @work(thread=True, exclusive=True, group="rig-kept")
    def look_up_rig(self) -> None:
        """Read how the station's calibration stands and what its last self-check was."""
        desk = self.desk
        station = desk.choices.station
        kept = rig_kept(desk.settings, station, desk.records, wall_clock(), desk.backend)
        if kept is not None:
            hand_over(self, self.RigLookedUp(kept))

    def on_halfturn_console_rig_looked_up(self, event: RigLookedUp) -> None:
        """Take note of it, unless another station was chosen meanwhile."""
        event.stop()
        desk = self.desk
        if event.kept.station == desk.choices.station:
            desk.calibration, desk.last_check = event.kept.standing, event.kept.last_check
            here = self.place_screen
            if here is not None and here.place == "rig" and here.is_running:
                here.show_all()

    # --- news and frames -----------------------------------------------------------------------

    def pump(self) -> None:
        """Take in what came from the bench and draw what is live."""
        if not self.screen_stack:
            return  # the console is closing
        desk = self.desk
        was_on = desk.live.on
        events = desk.poll()
        screen = self.place_screen
        if screen is not None and not (screen.is_mounted and screen.is_running):
            screen = None  # being laid out, where `show_all` comes when it is, or taken down
        for event in events:
            self._answer_to(event)
            if screen is not None:
                screen.on_news(event)
        if was_on and desk.live.phase is Phase.GONE:
            self._standing.tell_gone()
        if desk.bench is None and not desk.live.on:
            desk.keep_warm()
        elif not self._starting_apart:
            desk.look_for_others()
        if desk.live.on and not was_on:
            self.action_watch()  # somebody else started it, to go on by itself
        self._standing.watch()
        if self._bound_for and isinstance(self.screen, DeskScreen):
            self.go(self._bound_for)
        if screen is not None:
            screen.show_head()
            screen.on_frame()

    @property
    def place_screen(self) -> DeskScreen | None:
        """The place the operator is at, whatever dialog lies over it; None before the first."""
        for screen in reversed(self.screen_stack):
            if isinstance(screen, DeskScreen):
                return screen
        return None

    def _answer_to(self, event: BenchEvent) -> None:
        match event:
            case Asked():
                self._standing.ask(event)
                if event.ask.action == NEXT_TEST:
                    self._come_to_causes("The isolation proposes a test: F3.")
            case RunEnded() if not isinstance(self.desk.live.job, ByHandOrder):
                self._tell_over(event)
            case RigCheckEnded():
                self.look_up_rig()
            case Refused():
                live = self.desk.live
                begun = live.began is not None or live.ended is not None
                title = "The bench has a problem" if begun else "The bench did not begin"
                self.push_screen(MessageDialog(title, event.text))
            case _:
                pass

    def _tell_over(self, ended: RunEnded) -> None:
        """Go to the verdict, unless the operator is at something else meanwhile."""
        here = self.place_screen
        self.get_screen("verdict", DeskScreen).take_in()
        if self.desk.live.isolation:
            self._come_to_causes("The isolation is over: F3 tells what it came to.")
            return
        if here is None or here.place in WATCHED_FROM:
            self.go(self._asker_of_live() or "verdict")
            return
        verdict = "no verdict" if ended.judgement is None else str(ended.judgement.verdict).upper()
        self.say(f"The run is over: {verdict}. F5 tells why.")

    def _asker_of_live(self) -> str:
        """Return the place of the study or lot that the run just made belongs to; "" if to none."""
        live = self.desk.live
        if isinstance(live.job, RunOrder) and live.job.lot_item is not None:
            return LOTS.name
        if isinstance(live.job, RunOrder) and live.job.gauge_trial is not None:
            return GAUGE.name
        began = live.began
        check = began is not None and golden_standing(began.golden) is GoldenStanding.CHECK
        return GOLDEN.name if check else ""

    def _come_to_causes(self, otherwise: str) -> None:
        """Go where an isolation is answered, unless the operator is at something else."""
        here = self.place_screen
        if here is None or here.place in WATCHED_FROM:
            self.go(CAUSES.name)
        else:
            self.say(otherwise)

    # --- words ---------------------------------------------------------------------------------

    def say(self, text: str, *, error: bool = False) -> None:
        """Tell the operator something that needs no answer."""
        if error:
            self._urge(text, "error")
        else:
            self.notify(text, timeout=SAID_S, markup=False)

    def _urge(
        self, text: str, severity: Literal["warning", "error"], timeout_s: float = URGED_S
    ) -> None:
        """Tell what must not go before it was read: a change of place leaves it there."""
        self._urged_until_s = max(self._urged_until_s, monotonic() + timeout_s)
        self.notify(text, severity=severity, timeout=timeout_s, markup=False)

    # --- actions -------------------------------------------------------------------------------

    def action_feeds_off(self) -> None:
        """Take every feed off, whatever is on the screen, and say so."""
        if isinstance(self.screen, ActionsPalette):
            self.screen.dismiss()  # nothing can be said on top of it
        if self.desk.feeds_off("the feeds-off key was pressed"):
            self._urge("Feeds off. The job ends here.", "warning")
        elif self.desk.elsewhere:
            self._urge("Ending the job of the other console.", "warning")
            self.run_worker(self._stop_elsewhere, thread=True, exit_on_error=False)
        elif feeds_of(self.desk).in_doubt:
            self._urge(
                "No bench is there to take the feeds off. Pull the supply now, then look at the "
                "unit.",
                "error",
                LONG_S,
            )
        else:
            self.notify("No job is on: the feeds are off.", timeout=4)

    def _stop_elsewhere(self) -> None:
        try:
            text = self.desk.stop_other() or "No job is on at the bench any more."
        except BenchError as error:
            text = f"{error} Press the emergency stop."
        self.call_from_thread(self._urge, text, "warning", LONG_S)

    def begin(self, job: Job) -> bool:
        """Hand a job to the bench and go where it is watched; say why not if it cannot."""
        if self.desk.needs_apart(job):
            self._begin_apart(job)
            return False
        if not self.desk.begin(job):
            self.say(self.desk.bench_error, error=True)
            return False
        return True

    def _begin_apart(self, job: Job) -> None:
        """Begin ``job`` on a bench that outlives this console, once there is one."""
        open_apart = self.desk.open_apart
        if open_apart is None or self._starting_apart:
            return
        self._starting_apart = True
        self.say("A bench that goes on by itself is being started.")

        def start() -> None:
            try:
                bench = open_apart()
            except BenchError as error:
                self.call_from_thread(self._apart_failed, str(error))
            else:
                self.call_from_thread(self._begin_on, bench, job)

        self.run_worker(start, thread=True, exit_on_error=False)

    def _apart_failed(self, text: str) -> None:
        self._starting_apart = False
        self.say(text, error=True)

    def _begin_on(self, bench: BenchHandle, job: Job) -> None:
        self._starting_apart = False
        if self.desk.begin_on(bench, job):
            self.go("live")
        else:
            self.say(self.desk.bench_error, error=True)

    def action_go(self, name: str) -> None:
        """Go to a place; an open dialog wants an answer first."""
        if not isinstance(self.screen, DeskScreen):
            return
        if name == "live" and self.desk.live.isolation and self.screen.place != CAUSES.name:
            name = CAUSES.name  # from there on to Live
        self.go(name)

    def action_watch(self) -> None:
        """Go where the job that is on is watched."""
        self.go(CAUSES.name if self.desk.live.isolation else "live")

    def go(self, name: str) -> None:
        """Go to the place called ``name``, at once or when the dialog that is open is answered."""
        if name == "world" and not self.desk.has_world:
            return
        if not isinstance(self.screen, DeskScreen):
            self._bound_for = name
            return
        self._bound_for = ""
        if self.screen.place != name:
            if monotonic() > self._urged_until_s:
                self.clear_notifications()  # they spoke of the place that is left
            self.switch_screen(name)

    def action_guide(self) -> None:
        """Show every key of this screen and of the console."""
        screen = self.place_screen
        if screen is not None and not isinstance(self.screen, HelpDialog):
            self.push_screen(HelpDialog(screen))

    def action_other_light(self) -> None:
        """Change between the dark and the light look."""
        self.theme = DAYLIGHT.name if self.theme == FIELD.name else FIELD.name

    async def action_quit(self) -> None:
        """Leave, feeds off; ask first while a job is on."""
        if not self.desk.live.on:
            self._leave()
            return
        self._standing.ask_leaving(self._leave, self._leave_it_on if self.desk.goes_on else None)

    def action_command_palette(self) -> None:
        """Show the list of actions."""
        if isinstance(self.screen, DeskScreen):
            self.push_screen(ActionsPalette())

    def _leave(self) -> None:
        self.desk.feeds_off("the console was closed")
        self.exit(0)

    def _leave_it_on(self) -> None:
        self.exit(0)


def _screen(name: str) -> DeskScreen:
    from rig.console.screens.bench import BenchScreen
    from rig.console.screens.by_hand import ByHandScreen
    from rig.console.screens.gauge import GaugeScreen
    from rig.console.screens.golden import GoldenScreen
    from rig.console.screens.isolate import IsolateScreen
    from rig.console.screens.live import LiveScreen
    from rig.console.screens.lots import LotsScreen
    from rig.console.screens.records import RecordsScreen
    from rig.console.screens.rig import RigScreen
    from rig.console.screens.verdict import VerdictScreen
    from rig.console.screens.world import WorldScreen

    screens: dict[str, type[DeskScreen]] = {
        "bench": BenchScreen,
        "live": LiveScreen,
        "isolate": IsolateScreen,
        "by_hand": ByHandScreen,
        "verdict": VerdictScreen,
        "records": RecordsScreen,
        "lots": LotsScreen,
        "rig": RigScreen,
        "golden": GoldenScreen,
        "gauge": GaugeScreen,
        "world": WorldScreen,
    }
    return screens[name]()
