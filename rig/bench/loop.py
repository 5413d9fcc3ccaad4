"""The control loop: read, guard, step, dead-man, sleep, on absolute deadlines.

One thread owns all hardware.  A step is a generator of requests (`rig.bench.requests`); the guard
sees each sample before the step does.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from drivers import LOST, STUCK, Clock, DriverError
from rig.bench.aside import wait_for
from rig.bench.drop_out import drop_s
from rig.bench.errors import RefusedError, Trip, TripKind, Tripped
from rig.bench.guard import PROVE_OFF_S, Guard
from rig.bench.lateness import LatenessMeter
from rig.bench.recorder import Recorder
from rig.bench.requests import (
    IGNITION,
    OFF,
    Ask,
    Drive,
    Feeds,
    HalfTurnNews,
    Request,
    Sample,
    SetSupply,
)
from rig.bench.station import Station

# Read every output back this often besides at each change (cycles); a readback costs a pin read.
READ_BACK_EVERY = 50
# A command from outside (stop, answer) may wait this long (s).
LISTEN_EVERY_S = 0.01
# What is waited for without cycles is looked at so often (s).
LOOK_EVERY_S = 0.001
# The master relay picks up within a few dead-man edges and its own operate time.
PICK_UP_S = 0.5
MASTER_DROPPED_S = 0.05
# A drop-out during which the computer was held up proves nothing, and is tried again so often.
PROOFS = 3
# Relays have released and their arcs are out before a supply is changed or hands come near.
RELEASED_S = 0.05
# A relay has pulled in, and a unit that will not stay parked has begun to draw, by then (s, guess).
REMADE_S = 0.2


class ControlLoop:
    """Runs cycles on one station.

    ``on_trip`` hears of a trip that the step may survive (`SURVIVABLE`); all others are raised.
    ``listen`` is called every `LISTEN_EVERY_S` and may raise `Stopped`; ``watch`` is called with
    every sample (a ring, a progress line); ``ask`` and ``set_supply`` answer a step's requests
    and are only called with the feeds off.  ``set_aside`` begins to set the supply while the loop
    cycles on, and returns what tells whether that is done.  ``lateness`` measures the cycles, in
    real time only.  Beside other stations, ``in_phase`` puts the deadlines into this station's
    place within the period, and ``may_start`` grants a change of feeds that may start a motor.
    """

    def __init__(
        self,
        station: Station,
        clock: Clock,
        guard: Guard,
        period_s: float,
        *,
        listen: Callable[[], None],
        watch: Callable[[Sample], None],
        ask: Callable[[Ask], str],
        set_supply: Callable[[SetSupply], None],
        set_aside: Callable[[SetSupply], Callable[[], bool]] | None = None,
        news: Callable[[HalfTurnNews], None],
        on_trip: Callable[[Trip], None],
        lateness: LatenessMeter | None = None,
        in_phase: Callable[[float], float] = lambda time_s: time_s,
        may_start: Callable[[float], bool] | None = None,
    ) -> None:
        self.station = station
        self.clock = clock
        self.guard = guard
        self.period_s = period_s
        self.recorder = Recorder()
        self.consent = False
        self.has_fed = False  # a feed was made since the job began
        self._listen = listen
        self._watch = watch
        self._ask = ask
        self._set_supply = set_supply
        self._set_aside = set_aside
        self._news = news
        self._on_trip = on_trip
        self.lateness = lateness
        self._pause_wanted: Callable[[], bool] = lambda: False
        self._while_paused: Callable[[], None] = lambda: None
        self._in_phase = in_phase
        self._may_start = may_start
        self._deadline_s = in_phase(clock.now_s())
        self._next_listen_s = 0.0
        self._cycles = 0
        self._dropped_since_s: float | None = None
        self._watch_master = False
        self._running = False

    def pause_by(self, wanted: Callable[[], bool], while_paused: Callable[[], None]) -> None:
        """Ask ``wanted`` between two half-turns; if so, call ``while_paused`` with the feeds off.

        It returns when the run may go on.
        """
        self._pause_wanted, self._while_paused = wanted, while_paused

    # --- one cycle ------------------------------------------------------------------------

    def cycle(self, feeds: Feeds, *, toggle: bool = True) -> Sample:
        """Apply ``feeds``, wait for the next deadline, read, guard, toggle the dead-man.

        Raises Tripped, with the feeds already off, if the guard acts; Stopped if asked to end.
        """
        station = self.station
        self._apply(feeds)
        self._deadline_s += self.period_s
        due_s = self._deadline_s
        now_s = self.clock.now_s()
        lost = 0
        if now_s > due_s + self.period_s:
            lost = int((now_s - due_s) / self.period_s)
            self._deadline_s = self._in_phase(now_s)  # lost slots stay lost, the trace shows a gap
        self.clock.sleep_until(due_s)  # late or not: other stations have their turn
        lateness = self.lateness
        woken_s = 0.0 if lateness is None else self.clock.now_s() - due_s
        sample = station.sample()
        fed = station.commanded.battery
        trip = self.guard.check(sample, fed=fed, ignition=station.commanded.ignition)
        if trip is None:
            trip = self._supervise(sample, fed)
        self.recorder.add(sample)
        self._watch(sample)
        if trip is not None and (fed or station.commanded.ignition or trip.kind in _ALWAYS):
            self._trip(trip)
        dead_man = station.dead_man
        if toggle and dead_man is not None:
            if sample.flags & (LOST | STUCK):
                dead_man.stand_by()
            else:
                dead_man.toggle()
        if lateness is not None:
            lateness.cycle(woken_s, self.clock.now_s() - due_s, lost, fed=fed)
        if sample.time_s >= self._next_listen_s:
            self._next_listen_s = sample.time_s + LISTEN_EVERY_S
            self._listen()
        return sample

    def _apply(self, feeds: Feeds) -> None:
        if feeds is self.station.commanded:
            return
        if feeds.battery and not (self.consent and self._running):
            raise RefusedError(
                "The battery feed was asked for without a running step or the operator's consent. "
                "Accept the cautions of this run first."
            )
        if feeds.battery and not self.station.commanded.battery:
            unfit = self.guard.may_feed(self.clock.now_s())
            if unfit is not None:
                self._trip(unfit)
        self.has_fed = self.has_fed or feeds != OFF
        try:
            self.station.command(feeds)
        except DriverError as error:
            self._trip(Trip(TripKind.FEED_MISMATCH, self.clock.now_s(), str(error)))

    def _supervise(self, sample: Sample, fed: bool) -> Trip | None:
        """Check what is not in the sample: outputs as commanded, master relay held."""
        self._cycles += 1
        station = self.station
        if self._cycles % READ_BACK_EVERY:
            return None
        if station.feeds_read_back() != station.commanded:
            return Trip(
                TripKind.FEED_MISMATCH,
                sample.time_s,
                "A feed output does not read back as commanded. Feeds are off. Check the relay "
                "board's wiring with `halfturn check`.",
            )
        dead_man = station.dead_man
        if not (fed and self._watch_master and dead_man is not None) or dead_man.picked_up:
            self._dropped_since_s = None
            return None
        if self._dropped_since_s is None:
            self._dropped_since_s = sample.time_s
        if sample.time_s - self._dropped_since_s < MASTER_DROPPED_S:
            return None
        return Trip(
            TripKind.MASTER_DROPPED,
            sample.time_s,
            "The master relay dropped while a feed was on. Feeds are off. Check the dead-man "
            "timer, the emergency stop chain and the master relay's supply.",
        )

    def _trip(self, trip: Trip) -> None:
        if not self.station.all_off():
            # Whatever it was, it is now the rig's trouble, and nothing may go on.
            trip = Trip(
                TripKind.FEED_MISMATCH,
                trip.time_s,
                f"{trip.text} A FEED DOES NOT READ BACK OFF: pull the supply now.",
            )
        raise Tripped(trip)

    def excuse(self) -> None:
        """Count the next cycle as no lateness: the loop was held on purpose, with the feeds off."""
        if self.lateness is not None:
            self.lateness.excuse()

    # --- longer stretches -----------------------------------------------------------------

    def idle(self, duration_s: float, *, toggle: bool = True) -> Sample:
        """Cycle with the feeds off for ``duration_s`` seconds; return the last sample."""
        sample = self.cycle(OFF, toggle=toggle)
        end_s = sample.time_s + duration_s
        while sample.time_s < end_s:
            sample = self.cycle(OFF, toggle=toggle)
        return sample

    def prove_off(self) -> None:
        """Cycle with the feeds off until the guard has surely seen a feed relay that is welded.

        By the clock and by cycles: a machine that stands still meanwhile has seen nothing.
        """
        end_s, cycles = self.clock.now_s() + PROVE_OFF_S, round(PROVE_OFF_S / self.period_s)
        while cycles > 0 or self.clock.now_s() < end_s:
            self.cycle(OFF)
            cycles -= 1

    def wait(self, done: Callable[[], bool]) -> None:
        """Cycle with the feeds off until ``done()``; used while something outside is working.

        Nothing of it is recorded: hours of nothing are worth no memory, a gap in the trace's time
        shows them.
        """
        waiting_from_s = self.clock.now_s()
        while not done():
            self.cycle(OFF)
            self.recorder.drop_since(waiting_from_s)

    def rest(self, done: Callable[[], bool]) -> None:
        """Return when ``done()``, the feeds off and no cycles made: a job that is ending."""
        while not done():
            self.station.stand_by()
            self.clock.sleep_until(self.clock.now_s() + LOOK_EVERY_S)

    def resume_after_pause(self) -> bool:
        """Take up the rhythm again after work that held the loop with the feeds off.

        Returns whether the master relay was seen to have picked up, True where nothing shows it.
        """
        self._deadline_s = self._in_phase(self.clock.now_s())
        dead_man = self.station.dead_man
        if dead_man is None or dead_man.picked_up is None:
            self.idle(PICK_UP_S / 5)
            return True
        end_s, cycles = self.clock.now_s() + PICK_UP_S, round(PICK_UP_S / self.period_s)
        # A machine that stands still meanwhile lets the relay drop: as many cycles as that time
        # holds are given in any case.
        while not dead_man.picked_up:
            if cycles <= 0 and self.clock.now_s() >= end_s:
                return False
            self.cycle(OFF)
            cycles -= 1
        return True

    def join(self) -> None:
        """Take it that the dead-man is proved, by another station whose loop has run on since.

        Raises RefusedError if the master relay is not held.
        """
        dead_man = self.station.dead_man
        if not self.resume_after_pause():
            raise RefusedError(_NOT_HELD)
        self._watch_master = dead_man is not None and dead_man.picked_up is not None

    def arm(self) -> str:
        """Prove the dead-man's drop-out; return what was found.  Raises RefusedError if it fails.

        The master relay must pick up while the output toggles, drop within the timer's time (and
        a relay's release) when it stops, and pick up again.
        """
        dead_man, wiring = self.station.dead_man, self.station.rig_wiring.dead_man
        if dead_man is None or wiring is None:
            return "no dead-man output is wired: a hung computer would keep the feeds on"
        self.idle(PICK_UP_S)
        if dead_man.picked_up is None:
            return "dead-man toggles; its drop-out is not proved, since no sense contact is wired"
        if not dead_man.picked_up and not self.resume_after_pause():
            raise RefusedError(_NOT_HELD)
        allowed_s = wiring.timeout_s + 0.05
        for _ in range(PROOFS):
            dropped_s = drop_s(
                dead_man, allowed_s, partial(self.cycle, OFF, toggle=False), self.clock
            )
            # Not read once more: its contact may bounce just then.
            if not self.resume_after_pause():
                raise RefusedError(
                    "The master relay did not pick up again after the dead-man was proved. Check "
                    "the dead-man timer and the master relay."
                )
            if dropped_s <= allowed_s + 2 * self.period_s:
                self._watch_master = True
                return (
                    f"dead-man proved: master relay dropped {dropped_s * 1000:.0f} ms after the "
                    "last edge"
                )
        raise RefusedError(
            f"The dead-man is not proved: the computer was held up {PROOFS} times while the master "
            "relay dropped, so how long that took is not known. Close other programs on this "
            "computer, then start again."
        )

    # --- running a step -------------------------------------------------------------------

    def run_step(self, drive: Drive) -> None:
        """Run one step to its end, feeds off afterwards whatever happens.

        A trip is thrown into the step, which may survive it; if it does not, Tripped is raised.
        """
        self._running = True
        try:
            self._drive(drive)
        finally:
            self._running = False
            off = self.station.all_off()
            try:
                drive.close()
            finally:
                if not off:
                    # Every caller must hear of this; the original error stays as its context.
                    text = "A feed could not be taken off."
                    self._trip(Trip(TripKind.FEED_MISMATCH, self.clock.now_s(), text))

    def _drive(self, drive: Drive) -> None:
        request: Request | None = _next(lambda: next(drive))
        while request is not None:
            try:
                answer = self._answer(request)
            except Tripped as tripped:
                if tripped.trip.kind not in SURVIVABLE:
                    raise
                self._on_trip(tripped.trip)
                request = _next(partial(drive.throw, tripped))
                self.idle(RELEASED_S)  # the unit has come to rest before it is fed again
            else:
                request = _next(partial(drive.send, answer))

    def _answer(self, request: Request) -> Sample | str | None:
        if isinstance(request, Feeds):
            self._await_start(request)
            return self.cycle(request)
        if isinstance(request, HalfTurnNews):
            self._news(request)
            if self._pause_wanted():
                self._pause()
            return None
        if isinstance(request, SetSupply) and request.keep_ignition and self._set_aside is not None:
            self._hold(IGNITION, RELEASED_S)
            done = self._set_aside(request)
            self.guard.exclude(wait_for(done, lambda: self.cycle(IGNITION), self.clock))
            return None
        asked_s = self.clock.now_s()
        self.idle(RELEASED_S)
        waiting_from_s = self.clock.now_s()
        answer = None
        if isinstance(request, SetSupply):
            self._set_supply(request)
        else:
            answer = self._ask(request)
        self.recorder.drop_since(waiting_from_s)
        self.resume_after_pause()
        self.guard.exclude(self.clock.now_s() - asked_s)
        return answer

    def _await_start(self, feeds: Feeds) -> None:
        """Cycle on as things are until a motor may start; nothing that takes the battery waits."""
        if self._may_start is None or not feeds.battery or feeds == self.station.commanded:
            return
        from_s = self.clock.now_s()
        while not self._may_start(self.clock.now_s()):
            self.cycle(self.station.commanded)
        self.guard.exclude(self.clock.now_s() - from_s)

    def _pause(self) -> None:
        """Take the feeds off between two half-turns and make them again, the unit left as it is.

        The trace shows the pause as a gap, unless the unit draws current when it is fed again.
        """
        feeds, from_s = self.station.commanded, self.clock.now_s()
        # Battery off first and made last: with its relay elsewhere the unit would start to turn.
        self._hold(Feeds(False, feeds.ignition), RELEASED_S)
        self.idle(RELEASED_S)
        self._while_paused()
        self.recorder.drop_since(from_s)
        self.resume_after_pause()
        # Before anything is fed again: a long pause must not count as a long step.
        self.guard.exclude(self.clock.now_s() - from_s)
        self._hold(Feeds(False, feeds.ignition), REMADE_S)
        self._hold(feeds, REMADE_S)
        if not self.guard.motion.has_flowed:
            self.recorder.drop_since(from_s)

    def _hold(self, feeds: Feeds, duration_s: float) -> None:
        end_s = self.clock.now_s() + duration_s
        while self.clock.now_s() < end_s:
            self.cycle(feeds)


_NOT_HELD = (
    "The master relay does not pick up although the dead-man output toggles. Check the emergency "
    "stop button, the dead-man timer and the master relay's supply."
)
# Trips that end a run even when nothing is fed.
_ALWAYS = frozenset({TripKind.EMERGENCY_STOP, TripKind.LIVE_WITH_FEED_OFF, TripKind.FEED_MISMATCH})
# What a sweep to the lowest voltage or a bad relay may do to a unit without ending the run.
SURVIVABLE = frozenset({TripKind.STALL, TripKind.RUN_ON})


def _next(step: Callable[[], Request]) -> Request | None:
    """Return a drive's next request, None when it has come to its end."""
    try:
        return step()
    except StopIteration:
        return None
