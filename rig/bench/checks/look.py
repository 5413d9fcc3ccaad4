"""Looking at a station: its control loop with the feeds off, lenient where nothing is fed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from drivers import Backend
from rig.bench.calibrated import calibrated
from rig.bench.commands import Meddle
from rig.bench.errors import Trip, TripKind
from rig.bench.events import Noted
from rig.bench.guard import Guard, GuardLimits
from rig.bench.loop import ControlLoop
from rig.bench.order import RigCheckOrder
from rig.bench.patient import PatientBackend
from rig.bench.requests import OFF, Ask, Sample
from rig.bench.seams import Console, Done
from rig.bench.station import Station
from rig.bench.wishes import did, meddled
from rig.quality.calibration import Standing

# With no unit fitted nothing flows at all: 1 A is well above any sensor's zero and well below what
# hurts anything.  Without a motor nothing stalls, runs on or warms (values of an LM-12).
_NEVER_S = 1e6
NOTHING_FITTED = GuardLimits(
    over_current_a=1.0,
    over_current_s=0.02,
    stall_s=_NEVER_S,
    run_on_s=_NEVER_S,
    step_max_s=_NEVER_S,
    winding_max_c=130.0,
    winding_ohm=0.51,
    heat_j_per_k=120.0,
    cooling_k_per_w=8.0,
)
# What a simulated jig's hands do for a question that has another name.
_BY_HANDS = {"jig_empty": "remove_unit"}
_FORGET = 5000  # samples kept by the recorder, which nobody asks here


class LookingGuard(Guard):
    """A guard that lets things be looked at while nothing is fed.

    ``lenient``: an emergency stop is shown rather than acted on.  ``dead``: so is a live feed,
    since the dead-man is not toggled and the master relay keeps the station dead.  Whatever picks
    the master relay up (arming, taking up the rhythm) must leave it False.
    """

    lenient = True
    dead = False

    def check(self, sample: Sample, *, fed: bool, ignition: bool = False) -> Trip | None:
        """Judge one sample as `Guard.check` does."""
        if sample.emergency_stop and self.lenient and not fed:
            # A pressed stop that does not cut the master relay must not hide a live feed.
            sample = sample._replace(emergency_stop=False)
        trip = super().check(sample, fed=fed, ignition=ignition)
        shown = self.dead and not fed
        if trip is not None and shown and trip.kind is TripKind.LIVE_WITH_FEED_OFF:
            return None
        return trip


@dataclass
class Look:
    """One station, looked at.  Sensors that do not answer are flags of its samples, no errors.

    ``toggle``: whether the dead-man is toggled while nothing is fed; without it the master relay
    keeps the whole station dead.  With it a live feed raises Tripped.
    """

    order: RigCheckOrder
    backend: Backend
    console: Console
    standing: Standing | None = None
    station: Station = field(init=False)
    guard: LookingGuard = field(init=False)
    loop: ControlLoop = field(init=False)
    toggle: bool = False

    def __post_init__(self) -> None:
        wiring = self.order.wiring()
        name = self.order.station.name
        wired = next(station for station in wiring.stations if station.name == name)
        if self.standing is not None:
            wired = calibrated(wired, self.standing)
        with PatientBackend(self.backend) as patient:
            self.station = Station(patient, wiring, wired)
        self.guard = LookingGuard(NOTHING_FITTED)
        self.loop = ControlLoop(
            self.station,
            self.backend.clock,
            self.guard,
            1.0 / self.order.station.sample_hz,
            listen=self._listen,
            watch=self.console.sample,
            ask=self.ask,
            set_supply=lambda request: None,
            news=lambda news: None,
            on_trip=lambda trip: None,
        )

    @property
    def calibrated(self) -> bool:
        """Tell whether the battery sensor reads by a calibration."""
        return self.standing is not None and self.standing.applies

    def now_s(self) -> float:
        """Return the bench clock's time, s."""
        return self.backend.clock.now_s()

    def cycle(self) -> Sample:
        """Cycle once with the feeds off."""
        if len(self.loop.recorder) > _FORGET:
            self.loop.recorder.clear()
        # Readings show a live feed for as long as somebody looks.  The self-check shrugs it off
        # only where a dead-man that is not toggled is there to end it.
        wired = self.station.dead_man is not None
        self.guard.dead = not self.toggle and (wired or not self.order.full)
        try:
            return self.loop.cycle(OFF, toggle=self.toggle)
        finally:
            self.guard.dead = False

    def samples(self, duration_s: float) -> Iterator[Sample]:
        """Yield the samples of ``duration_s`` seconds with the feeds off."""
        end_s = self.now_s() + duration_s
        while self.now_s() < end_s:
            yield self.cycle()

    def settle_s(self) -> float:
        """Return how long it takes until a new voltage is sure to have been read, s."""
        station = self.order.station
        return max(0.2, 2.2 * station.battery_sensor.bus_every / station.sample_hz)

    # --- somebody at the jig --------------------------------------------------------------

    def ask(self, ask: Ask) -> str:
        """Return the answer of whoever is at the console; "done" moves a simulated jig's hands."""
        return self.ask_meanwhile(ask, lambda sample: None)

    def ask_meanwhile(self, ask: Ask, watch: Callable[[Sample], None]) -> str:
        """Ask, with ``watch`` seeing every sample until the answer; it may raise."""

        def wait(done: Done) -> None:
            while not done():
                watch(self.cycle())

        answer = self.console.ask(ask, wait)
        hands = self.backend.hands
        if answer == "done" and hands is not None:
            action = _BY_HANDS.get(ask.action, ask.action)
            done, text = did(hands, action, ask.detail)
            if not done:
                self.note("world", text)
                answer = "cannot"
        self.take_up()
        return answer

    def take_up(self) -> None:
        """Take up the rhythm again after work that held the loop with the feeds off."""
        if self.toggle:
            self.loop.resume_after_pause()
        else:
            self.cycle()

    def note(self, kind: str, text: str) -> None:
        """Tell the console something."""
        self.console.show(Noted(kind, text, self.now_s()))

    def _listen(self) -> None:
        for command in self.console.listen():
            if isinstance(command, Meddle):
                self.note("world", meddled(command, self.backend.hands))
