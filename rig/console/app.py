"""The console application: the screens, the keys that work everywhere, and the pump of news."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Sequence
from time import monotonic
from typing import ClassVar, Literal
from uuid import UUID

from textual import work
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.timer import Timer

from rig.bench.commands import Stop
from rig.bench.dates import wall_clock
from rig.bench.errors import BenchError
from rig.bench.events import Asked, BenchEvent, Noted, Refused, RigCheckEnded, RunEnded
from rig.bench.handle import BenchHandle
from rig.bench.order import ByHandOrder, Job, RunOrder
from rig.bench.requests import NEXT_TEST
from rig.console.desk import Desk
from rig.console.desks import Desks, serial_of, station_names
from rig.console.dialogs.actions import ActionsPalette
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.feeds_off import FEEDS_OFF_KEYS, NEXT_STATION, STOP_HERE, Dialog
from rig.console.feeds_words import feeds_of
from rig.console.held_keys import HeldKeys
from rig.console.keys_in_turn import KeysInTurn
from rig.console.live_job import Phase
from rig.console.lost_terminal import PatientDriver
from rig.console.places import CAUSES, FOR_ALL, GAUGE, GOLDEN, LOTS, OF_RIG, PLACES, places
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
# Places where a job is watched or told of: another station has another there, or none.
_OF_A_JOB = WATCHED_FROM - {"bench"}


def _how_to_print(run_id: UUID) -> str:
    """Return what to do for a sheet where whoever opened the console gave no printer of them."""
    return f"No printer of sheets here: `halfturn sheet make {str(run_id)[:8]}` makes it."


class HalfturnConsole(KeysInTurn):
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
        NEXT_STATION,
        STOP_HERE,
        Binding("ctrl+q", "quit", "Quit", show=False, priority=True),
        Binding("ctrl+t", "other_light", "Dark or light", show=False),
    ]

    def __init__(self, desks: Desk | Desks) -> None:
        super().__init__(driver_class=PatientDriver)
        self.desks = Desks([desks]) if isinstance(desks, Desk) else desks
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

    @property
    def desk(self) -> Desk:
        """The desk of the station that is chosen."""
        return self.desks.chosen

    # --- life ----------------------------------------------------------------------------------

    def on_mount(self) -> None:
        """Open the bench screen and start the pump."""
        for theme in (FIELD, DAYLIGHT):
            self.register_theme(theme)
        self.theme = FIELD.name
        self._install_screens()
        self.push_screen(self.named("bench"))
        self._pumping = self.set_interval(1 / FRAMES_PER_S, self.pump)
        for desk in self.desks:
            desk.warm_up()
        self._catch_signals()
        self.look_up_rig()
        at_work = self.desks.at_work
        if at_work and not self.desk.live.on:
            self.choose(at_work[0])
        if at_work:
            self.action_watch()
            self.say("This run went on by itself. What happened in it so far is shown.")
        elif self.desk.bench_error:
            self.say(self.desk.bench_error, error=True)

    def _install_screens(self) -> None:
        there = (*places(self.desk.has_world, several=self.desks.several), CAUSES, LOTS, *OF_RIG)
        for place in there:
            for desk in self.desks:
                name = self.named(place.name, desk)
                if not self.is_screen_installed(name):
                    screen = _screen(place.name)
                    if place.name not in FOR_ALL:
                        screen.belong_to(desk)
                    self.install_screen(screen, name)

    def named(self, place: str, desk: Desk | None = None) -> str:
        """Return the name of the screen that is ``place`` at ``desk``, the chosen one if None."""
        station = (desk or self.desk).choices.station
        first = next(iter(self.desks)).choices.station
        return place if place in FOR_ALL or station == first else f"{place} {station}"

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
        for desk in self.desks:
            if not desk.goes_on:
                desk.tell(Stop("a signal ended the console", by_operator=False))
        self.exit(return_code=status)

    # --- what is kept of the rig -----------------------------------------------------------------

    class RigLookedUp(Message):
        """What the records hold of the rig itself."""

        def __init__(self, kept: RigKept) -> None:
            super().__init__()
            self.kept = kept

    @work(thread=True, exclusive=True, group="rig-kept")
    def look_up_rig(self) -> None:
        """Read how each station's calibration stands and what its last self-check was."""
        for desk in self.desks:
            station = desk.choices.station
            kept = rig_kept(desk.settings, station, desk.records, wall_clock(), desk.backend)
            if kept is not None:
                hand_over(self, self.RigLookedUp(kept))

    def on_halfturn_console_rig_looked_up(self, event: RigLookedUp) -> None:
        """Take note of it at its station."""
        event.stop()
        desk = self.desks.of(event.kept.station)
        if desk is not None:
            desk.calibration, desk.last_check = event.kept.standing, event.kept.last_check
            here = self.place_screen
            if here is not None and here.place == "rig" and here.is_of(desk) and here.is_running:
                here.show_all()

    # --- news and frames -----------------------------------------------------------------------

    def pump(self) -> None:
        """Take in what came from the benches and draw what is live."""
        if not self.screen_stack:
            return  # the console is closing
        news = [(desk, desk.live.on, desk.poll()) for desk in self.desks]
        screen = self.place_screen
        if screen is not None and not (screen.is_mounted and screen.is_running):
            screen = None  # being laid out, where `show_all` comes when it is, or taken down
        gone = []
        for desk, was_on, events in news:
            for event in events:
                self._answer_to(event, desk)
                if screen is not None and screen.is_of(desk):
                    screen.on_news(event)
            if was_on and desk.live.phase is Phase.GONE:
                gone.append(desk)
            self._look_after(desk, was_on=was_on)
        if gone:
            self._standing.tell_gone(gone)
        self._standing.watch()
        if self._bound_for and isinstance(self.screen, DeskScreen):
            self.go(self._bound_for)
        if not self.desk.live.on:
            self.desk.looked_at = self.desk.live
        if screen is not None:
            screen.show_head()
            screen.on_frame()
        if isinstance(self.screen, Dialog):
            self.screen.show_stations()

    def _look_after(self, desk: Desk, *, was_on: bool) -> None:
        """Have the next bench of a desk ready, or take up one that somebody else started."""
        if desk.bench is None and not desk.live.on:
            desk.keep_warm()
        elif not self._starting_apart:
            desk.look_for_others()
        if desk.live.on and not was_on and desk is self.desk:
            self.action_watch()  # somebody else started it, to go on by itself

    @property
    def place_screen(self) -> DeskScreen | None:
        """The place the operator is at, whatever dialog lies over it; None before the first."""
        for screen in reversed(self.screen_stack):
            if isinstance(screen, DeskScreen):
                return screen
        return None

    def _answer_to(self, event: BenchEvent, desk: Desk) -> None:
        here = desk is self.desk
        match event:
            case Asked():
                if not here:
                    self.bell()  # what it asks is told on every screen
                    return
                self._standing.ask(event, desk)
                if event.ask.action == NEXT_TEST:
                    self._come_to_causes("The isolation proposes a test: F3.")
            case RunEnded() if not isinstance(desk.live.job, ByHandOrder):
                if here:
                    self._tell_over(event)
                else:
                    self._tell_over_elsewhere(event, desk)
            case RigCheckEnded():
                self.look_up_rig()
            case Refused():
                live = desk.live
                begun = live.began is not None or live.ended is not None
                title = "The bench has a problem" if begun else "The bench did not begin"
                if self.desks.several:
                    title = f"Station {desk.choices.station}: {title[:1].lower()}{title[1:]}"
                self.push_screen(MessageDialog(title, event.text))
            case Noted() if not here and event.kind.startswith("trip_"):
                self._tell_elsewhere(desk, event.text, urgent=True)
            case _:
                pass

    def _tell_elsewhere(self, desk: Desk, text: str, *, urgent: bool = False) -> None:
        """Tell what happened at a station that is not chosen, unless all are seen side by side."""
        self.bell()
        here = self.place_screen
        if here is not None and here.place == "stations":
            return
        told = f"{', '.join(filter(None, (_at(desk), serial_of(desk))))}: {text}"
        if urgent:
            self._urge(told, "warning")
        else:
            self.say(told)

    def _tell_over_elsewhere(self, ended: RunEnded, desk: Desk) -> None:
        self.get_screen(self.named("verdict", desk), DeskScreen).take_in()
        self._tell_elsewhere(desk, f"the run is over, {_verdict_of(ended)}.")

    def _tell_over(self, ended: RunEnded) -> None:
        """Go to the verdict, unless the operator is at something else meanwhile."""
        here = self.place_screen
        self.get_screen(self.named("verdict"), DeskScreen).take_in()
        if self.desk.live.isolation:
            self._come_to_causes("The isolation is over: F3 tells what it came to.")
            return
        if here is None or here.place in WATCHED_FROM:
            self.go(self._asker_of_live() or "verdict")
            return
        self.say(f"The run is over: {_verdict_of(ended)}. F5 tells why.")

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
        """Take every feed of every station off, whatever is on the screen, and say so."""
        if isinstance(self.screen, ActionsPalette):
            self.screen.dismiss()  # nothing can be said on top of it
        ended = self.desks.feeds_off("the feeds-off key was pressed")
        in_doubt = [desk for desk in self.desks if not desk.live.on and feeds_of(desk).in_doubt]
        if ended:
            self._urge(self._ended_words(ended), "warning")
        elif any(desk.elsewhere for desk in self.desks):
            self._urge("Ending the job of the other console.", "warning")
            self.run_worker(self._stop_elsewhere, thread=True, exit_on_error=False)
        elif in_doubt:
            at = f" of {station_names(in_doubt)}" if self.desks.several else ""
            self._urge(
                f"No bench is there to take the feeds{at} off. Pull the supply now, then look at "
                "the unit.",
                "error",
                LONG_S,
            )
        else:
            self.notify("No job is on: the feeds are off.", timeout=4)

    def _ended_words(self, ended: Sequence[Desk]) -> str:
        """Say at which stations the feeds-off key ended a job."""
        if not self.desks.several:
            return "Feeds off. The job ends here."
        count = len(self.desks)
        all_off = f"Feeds off at {'both' if count == 2 else f'all {count}'} stations."
        if len(ended) == 1:
            return f"{all_off} The job at {station_names(ended)} ends here."
        return f"{all_off} The jobs at {station_names(ended)} end here."

    @property
    def desk_shown(self) -> Desk:
        """The desk that what is on top of the screen is of; of the chosen station if of none."""
        for screen in reversed(self.screen_stack):
            if isinstance(desk := getattr(screen, "desk", None), Desk):
                return desk
        return self.desk

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to stop one station alone where there are others."""
        if action == "stop_here":
            return self.desks.several and self.desk_shown.live.on
        return super().check_action(action, parameters)

    def action_stop_here(self) -> None:
        """Take the feeds of one station off and end its job; the others go on."""
        desk = self.desk_shown
        if isinstance(self.screen, ActionsPalette):
            self.screen.dismiss()  # nothing can be said on top of it
        if desk.feeds_off("the stop key of this station was pressed"):
            self._urge(f"{_at(desk)}: feeds off, the job ends here. F12 ends all.", "warning")

    # --- which station -------------------------------------------------------------------------

    def action_next_station(self) -> None:
        """Choose the rig's next station; on a rig of one there is none."""
        if self.desks.several:
            self.choose(self.desks.after())

    def choose(self, desk: Desk) -> None:
        """Have the keys, screens and the scanner go to another station from now on.

        A question that is open waits for its answer and comes up again when its station is chosen;
        any other dialog wants to be closed first.
        """
        if desk is self.desk:
            return
        if not isinstance(self.screen, DeskScreen) and not self._standing.put_away():
            self._urge("Close what is open first; then choose another station.", "warning")
            return
        here = self.place_screen
        self.desks.choose(desk)
        self._standing.come_back_to(desk)
        place = "bench" if here is None else here.place
        self.go(self._where_worked() if place in _OF_A_JOB else place)
        if here is not None and here.place in FOR_ALL and here.is_running:
            here.show_all()

    def _stop_elsewhere(self) -> None:
        try:
            text = self.desk.stop_other() or "No job is on at the bench any more."
        except BenchError as error:
            text = f"{error} Press the emergency stop."
        self.call_from_thread(self._urge, text, "warning", LONG_S)

    def begin(self, job: Job) -> bool:
        """Hand a job to the bench of its station; say why not if it cannot."""
        desk = self._desk_for(job)
        why_not = self.desks.why_not(job)
        if why_not:
            self.say(why_not, error=True)
            return False
        if desk.needs_apart(job):
            self._begin_apart(desk, job)
            return False
        if not desk.begin(job):
            self.say(desk.bench_error, error=True)
            return False
        if self.desks.world_is_another():
            self.say("The simulated world was on before what is chosen on Sim (F8): meddle there.")
        return True

    def _desk_for(self, job: Job) -> Desk:
        return self.desks.of(job.station.name) or self.desk

    def _begin_apart(self, desk: Desk, job: Job) -> None:
        """Begin ``job`` on a bench that outlives this console, once there is one."""
        open_apart = desk.open_apart
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
        desk = self._desk_for(job)
        if not desk.begin_on(bench, job):
            self.say(desk.bench_error, error=True)
        elif desk is self.desk:
            self.go("live")

    def action_go(self, name: str) -> None:
        """Go to a place; an open dialog wants an answer first, a question of a station can wait."""
        if not isinstance(self.screen, DeskScreen):
            all_stations = name == "stations" and self.desks.several
            if not (all_stations and self._standing.put_away()):
                return
        here = self.place_screen
        if name == "live" and self.desk.live.isolation and here and here.place != CAUSES.name:
            name = CAUSES.name  # from there on to Live
        self.go(name)

    def action_watch(self) -> None:
        """Go where the job that is on is watched."""
        self.go(CAUSES.name if self.desk.live.isolation else "live")

    def go(self, name: str) -> None:
        """Go to the place called ``name``, at once or when the dialog that is open is answered."""
        if not self.is_screen_installed(self.named(name)):
            return  # not on this bench
        if not isinstance(self.screen, DeskScreen):
            self._bound_for = name
            return
        self._bound_for = ""
        if self.screen.place != name or not self.screen.is_of(self.desk):
            if monotonic() > self._urged_until_s:
                self.clear_notifications()  # they spoke of the place that is left
            self.switch_screen(self.named(name))

    def open_station(self) -> None:
        """Go where the chosen station is worked: its job, what came of it, or Bench."""
        self.go(self._where_worked())

    def _where_worked(self) -> str:
        live = self.desk.live
        if live.rig_check:
            return "rig"
        if live.by_hand and live.on:
            return "by_hand"
        if live.on or live.isolation:
            return CAUSES.name if live.isolation else "live"
        return "verdict" if live.ended is not None and not live.by_hand else "bench"

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
        at_work = self.desks.at_work
        if not at_work:
            self._leave()
            return
        goes_on = all(desk.goes_on for desk in at_work)
        self._standing.ask_leaving(self._leave, self._leave_it_on if goes_on else None)

    def action_command_palette(self) -> None:
        """Show the list of actions."""
        if isinstance(self.screen, DeskScreen):
            self.push_screen(ActionsPalette())

    def _leave(self) -> None:
        self.desks.feeds_off("the console was closed")
        self.exit(0)

    def _leave_it_on(self) -> None:
        self.exit(0)


def _at(desk: Desk) -> str:
    return f"Station {desk.choices.station}"


def _verdict_of(ended: RunEnded) -> str:
    return "no verdict" if ended.judgement is None else str(ended.judgement.verdict).upper()


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
    from rig.console.screens.stations import StationsScreen
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
        "stations": StationsScreen,
    }
    return screens[name]()
