"""Working a unit by hand: the feeds made by held keys, guarded and recorded as in a run.

Whoever works sends `Hold` again and again; the feeds are made until the last lease has run out.
A touch (feeds made, then off for a while) is a step of the record.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers import LOST, RESET, STUCK, Backend
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import HalfTurn, Judgement
from rig.analysis.trace import Trace
from rig.bench.commands import Command, Hold
from rig.bench.errors import Trip, TripKind, Tripped
from rig.bench.events import RunBegan
from rig.bench.guard import LOST_SAMPLES
from rig.bench.holding import Holding
from rig.bench.motion import MotionWatch
from rig.bench.opening import FedJob, battery_accuracy
from rig.bench.order import RunOrder
from rig.bench.premises import Premises
from rig.bench.recorder import Recorder
from rig.bench.requests import OFF, Drive, Feeds, HalfTurnNews, Sample
from rig.bench.seams import Console, Keeper
from rig.bench.stepping import BASELINE_S
from rig.bench.thinking import thinking
from rig.bench.touches import TouchKeeper
from rig.records.model import RunState

# Feeds off for so long and the touch is over (s): a unit has come to rest long before.
TOUCH_OVER_S = 2.0
# A touch is cut into steps of about this length (s), which bounds the memory it takes: at the
# first moment after it at which no motor current flows, at `TOUCH_MAX_S` at the latest.
TOUCH_CUT_S = 60.0
TOUCH_MAX_S = 75.0
# So long without motor current and a cut leaves a rest level for the analysis on either side (s).
CUT_REST_S = 0.5
# A winding that tripped is fed again when it has cooled by this much (K, guess): not at once.
COOLED_K = 5.0
_BLIND = LOST | RESET | STUCK


class ByHandSession(FedJob):
    """Carries out one `ByHandOrder`; it ends by a stop or by a trip that the rig is to blame for.

    A trip of the unit (over-current, stall, run-on, too hot) takes the feeds off, and they stay
    off until whoever holds them has let go.  The lease takes the place of the plan's longest step.
    """

    judges = False
    starts_in_turn = False  # a feed made later than its key was held would surprise somebody
    touches: TouchKeeper
    _last: Sample

    def __init__(
        self,
        order: RunOrder,
        backend: Backend,
        keeper: Keeper,
        console: Console,
        premises: Premises | None = None,
    ) -> None:
        super().__init__(order, backend, keeper, console, premises)
        self.holding = Holding()
        self._told_s = float("-inf")
        self._blind = 0
        self._too_hot = False

    def began(self) -> RunBegan:
        """Return what is told at the start: how many touches there will be is open."""
        return self.begins(f"By hand, guarded as in {self.order.plan.title}")

    def judgement(self) -> Judgement | None:
        """Return None: what is felt by hand is not judged."""
        return None

    def take(self, command: Command) -> None:
        """Take note of what is held; there is no plan to pause or repeat."""
        if isinstance(command, Hold):
            self.holding.take(command, self.backend.clock.now_s())

    def unfinished(self, text: str) -> None:
        """Conclude nothing: working by hand has no end of its own."""

    def work(self) -> RunState:
        """Let the unit be fed by hand until a stop or a trip; raises Stopped or Tripped."""
        feeding = self.premises.feeding(
            self.loop, lambda text: self.log.note("waits", text), sets_supply=False
        )
        with feeding, thinking(self.order, "half-turns") as beside:
            # A key held since before would move the lever at a moment that nobody chose.
            self.holding.bar()
            self.log.note("ready", "From here on the feeds are made by hand.")
            self.touches = TouchKeeper(self.log, beside, self._finder())
            while True:
                self._rest_until_held()
                self._touch()

    def _finder(self) -> Callable[[Trace], tuple[HalfTurn, ...]]:
        unit, limits = self.order.plan.unit_type(), self.log.limits
        accuracy = battery_accuracy(self.order, self.station, self.standing)
        return lambda trace: find_half_turns(trace, unit, limits, accuracy)

    # --- feeding --------------------------------------------------------------------------

    def _rest_until_held(self) -> None:
        """Cycle with the feeds off, keeping a little rest, until somebody holds a feed."""
        while True:
            self._last = self.loop.cycle(OFF)
            self._forget_rest()
            if self._wanted() != OFF:
                return

    def _touch(self) -> None:
        touches = self.touches
        touches.begin(self.backend.clock.now_s())
        whole = False
        try:
            while not self._fed_to_the_end():
                pass
            whole = True
        except BaseException as error:
            touches.cut_short(str(error))
            raise
        finally:
            self._until_kept(cycling=whole, recorded=False)
            touches.end(self._recorded())
            self._until_kept(cycling=whole, recorded=True)

    def _fed_to_the_end(self) -> bool:
        """Feed as is held; True when the touch is over, False if a trip of the unit cut in."""
        try:
            self.loop.run_step(self._drive())
        except Tripped as tripped:
            trip = tripped.trip
            if not trip.of_unit:
                raise
            self.holding.bar()
            self._too_hot = self._too_hot or trip.kind is TripKind.OVER_TEMPERATURE
            self.touches.cut_short(trip.text)
            self.log.note(f"trip_{trip.kind}", trip.text)
            return False
        return True

    def survived(self, trip: Trip) -> None:
        """Leave the noting of a trip to `_fed_to_the_end`, which hears of every one."""

    def _drive(self) -> Drive:
        off_since_s = self._last.time_s
        while self._last.time_s - off_since_s < TOUCH_OVER_S:
            wanted = self._wanted()
            self._last = yield wanted
            if wanted != OFF:
                off_since_s = self._last.time_s
            news = self._half_turn_seen(self._last)
            if news is not None:
                yield news
            kept = self.touches.look()
            if wanted != OFF:
                self._cut_if_long(self._last, kept)

    def _wanted(self) -> Feeds:
        """Return the feeds to make now; bars what may not be made, and says why."""
        self._blind = self._blind + 1 if self._last.flags & _BLIND else 0
        feeds = self.holding.feeds_at(self.backend.clock.now_s())
        made = self.station.commanded
        # A battery feed that is made the guard watches; of the ignition feed alone, the sensor.
        if feeds == OFF or made.battery or (made.ignition and not feeds.battery):
            return feeds
        why = self._why_not()
        if why:
            self.holding.bar()
            self.log.note("not_fed", why)
        if why:
            return OFF
        return Feeds(False, made.ignition and feeds.ignition) if self._blind else feeds

    def _why_not(self) -> str:
        """Return why nothing may be fed at the moment, empty if it may."""
        if self._blind >= LOST_SAMPLES:
            return (
                "Not fed: the current sensor gives no reading. Check its plug, its wiring and its "
                "3.3 V."
            )
        winding_c = self.loop.guard.winding_c
        again_c = self.limits.winding_max_c - COOLED_K
        self._too_hot = self._too_hot and winding_c > again_c
        if self._too_hot:
            return (
                f"Not fed: the winding is still estimated at {winding_c:.0f} degrees. Let the unit "
                f"cool below {again_c:.0f} degrees."
            )
        return ""

    def _half_turn_seen(self, sample: Sample) -> HalfTurnNews | None:
        """Return the news of a half-turn that the control loop saw end, once."""
        motion: MotionWatch = self.loop.guard.motion
        if (
            not sample.battery_feed
            or motion.changed_s == self._told_s
            or not motion.parked(sample.time_s)
        ):
            return None
        self._told_s = motion.changed_s
        took_s = sample.time_s - motion.changed_s - motion.quiet_s(sample.time_s)
        return HalfTurnNews(sample.ignition_feed, True, took_s)

    # --- recording ------------------------------------------------------------------------

    def _cut_if_long(self, sample: Sample, kept: bool) -> None:
        """Keep a long touch so far, without taking a feed away."""
        length_s = sample.time_s - self.touches.from_s
        if length_s < TOUCH_CUT_S or self.holding.barred:
            return
        quiet = self.loop.guard.motion.quiet_s(sample.time_s) > CUT_REST_S
        if kept and (quiet or length_s > TOUCH_MAX_S):
            self.touches.part(self._recorded(), sample.time_s)
        elif not kept and length_s > TOUCH_MAX_S:
            self.holding.bar()
            self.log.note("not_fed", "Feeds off: the record does not keep up. Check the disk.")

    def _recorded(self) -> Recorder:
        """Return what was recorded of a touch; what comes next begins with the rest before it."""
        return self.loop.recorder.part(self._last.time_s - BASELINE_S)

    def _until_kept(self, *, cycling: bool, recorded: bool) -> None:
        """Return when every touch that ended is on disk, feeds off.

        After a touch that was cut short the job is ending: no more cycles then.  Not ``recorded``
        is the wait before the touch itself is taken from the recorder.
        """
        if not cycling:
            self.loop.rest(self.touches.look)
            return
        if not recorded:
            self.loop.wait(self.touches.look)
        while not self.touches.look():
            self._last = self.loop.cycle(OFF)
            self._forget_rest()

    def _forget_rest(self) -> None:
        """Bound what is recorded of a rest: hours of nothing are worth no memory."""
        recorder, wanted = self.loop.recorder, BASELINE_S * self.order.station.sample_hz
        if len(recorder) > 2 * wanted:
            recorder.drop_before(self._last.time_s - BASELINE_S)
