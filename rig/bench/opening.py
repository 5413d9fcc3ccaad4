"""What every job that feeds a unit shares: the way in, the way out, feeds off at the end."""

from __future__ import annotations

from abc import ABC, abstractmethod
from contextlib import suppress
from dataclasses import replace

import rig
from drivers import LOST, Backend, DriverError
from rig.analysis.model import Accuracy, Judgement
from rig.bench.aside import Aside
from rig.bench.calibrated import calibrated, standing_of
from rig.bench.cautions import CAUTIONS
from rig.bench.commands import Command, Meddle, Note
from rig.bench.dates import Dates
from rig.bench.errors import RefusedError, Stopped, Trip, Tripped, UnansweredError
from rig.bench.events import HalfTurnEnded, RunBegan, RunEnded
from rig.bench.guard import LOST_SAMPLES, Guard, GuardLimits
from rig.bench.lateness import LatenessMeter
from rig.bench.loop import ControlLoop
from rig.bench.order import RunOrder
from rig.bench.power import Power
from rig.bench.premises import Alone, Premises
from rig.bench.realtime import Claim
from rig.bench.requests import Ask, HalfTurnNews, SetSupply
from rig.bench.runlog import RunLog
from rig.bench.seams import Console, Done, Keeper, Said
from rig.bench.station import Station
from rig.bench.wishes import answered, errand_in_short, meddled
from rig.plans import Plan
from rig.quality.calibration import CalibrationState, Standing
from rig.quality.calibration_words import standing_in_short, standing_words
from rig.quality.uncertainty import accuracy_of
from rig.records.errors import RecordsError
from rig.records.golden_said import GoldenStanding, golden_standing, golden_words, is_warning
from rig.records.model import RunEnd, RunStart, RunState

REFUSED = (GoldenStanding.OUT, GoldenStanding.DUE)
"""How the rig must not stand where the rig file has it refuse to judge units."""


class FedJob(ABC):
    """One job on one unit, in the record from its first row to its last.

    Subclasses say what is announced (`began`), what is done once the bench is ready to feed
    (`work`) and what the unit gets (`judgement`).  `run` never leaves a feed on.
    """

    station: Station
    power: Power
    loop: ControlLoop
    log: RunLog
    standing: Standing
    judges = True  # an unfit rig must not
    starts_in_turn = True  # its motor starts when no other has just done so
    golden: Said = None

    def __init__(
        self,
        order: RunOrder,
        backend: Backend,
        keeper: Keeper,
        console: Console,
        premises: Premises | None = None,
    ) -> None:
        self.claim: Claim | None = None
        self.premises = Alone() if premises is None else premises
        self.order = order
        self.backend = backend
        self.keeper = keeper
        self.console = console
        self.limits = guard_limits(order.plan)
        self._note = ""
        self._told = ""
        self._on_request = False

    # --- what a job is --------------------------------------------------------------------

    @abstractmethod
    def began(self) -> RunBegan:
        """Return what is told when the job is in the record."""

    def begins(self, title: str, steps: int = 0, expected_s: float = 0.0) -> RunBegan:
        """Return what is told of a job of so many steps (0: that is open) and so long."""
        return RunBegan(
            self.log.run_id,
            self.order.station.name,
            title,
            steps,
            expected_s,
            self.backend.simulated,
            self.backend.facts(),
            self.standing,
        )

    @abstractmethod
    def work(self) -> RunState:
        """Do the job and return how far it came; the bench is ready to feed."""

    @abstractmethod
    def judgement(self) -> Judgement | None:
        """Return what the unit gets, None if it is not judged."""

    @abstractmethod
    def take(self, command: Command) -> None:
        """Take note of a command that is not for every job."""

    def tripped(self, trip: Trip) -> RunState:
        """Take note of the trip that ended the job; return how far it came."""
        self.off(trip.text, f"trip_{trip.kind}")
        return RunState.INTERRUPTED

    @abstractmethod
    def unfinished(self, text: str) -> None:
        """Take note that the job did not come to its end, for the reason in ``text``."""

    # --- from the first record to the last ------------------------------------------------

    def run(self, claim: Claim | None = None) -> RunEnded:
        """Do the job and return how it ended.

        ``claim`` is what this thread, the control loop's, was granted; None where time is the
        world's own.  Raises DriverError or RecordsError if it cannot start; nothing was fed then.
        """
        self.claim = claim
        wiring = self.order.wiring()
        name = self.order.station.name
        wired = next(station for station in wiring.stations if station.name == name)
        dates = Dates()
        self.standing = standing_of(
            self.order.settings.name, wired, self.backend, self.keeper, dates.began
        )
        wired = calibrated(wired, self.standing)
        station = self.premises.station(self.backend, wiring, wired)
        try:
            with self.premises.power(self.backend, wiring) as power:
                return self._run(station, power, dates)
        finally:
            station.close()

    def _run(self, station: Station, power: Power, dates: Dates) -> RunEnded:
        self.station, self.power = station, power
        self.loop = self.make_loop()
        self.golden = self._golden()
        behind = dates.behind(self.keeper.newest())
        self.log = RunLog(
            self.keeper,
            self.console,
            self.backend.clock.now_s,
            self.keeper.begin_run(self._start(dates)),
            self.order.plan.analysis_limits(),
            dates=dates,
        )
        self.console.show(replace(self.began(), golden=self.golden))
        state, begun = RunState.INTERRUPTED, False
        try:
            if behind:
                self.log.note("clock", behind)
            self._begin()
            begun = True
            state = self.work()
        except Tripped as tripped:
            state = self.tripped(tripped.trip)
        except Stopped as stopped:
            state = RunState.STOPPED if stopped.by_operator else RunState.INTERRUPTED
            self._on_request = True
            self._cut(str(stopped), "stop")
        except (RefusedError, DriverError, RecordsError) as error:
            # The record has no state for a run that was never begun: its note says so.
            refused = isinstance(error, RefusedError) and not begun
            self._cut(f"Refused. {error}" if refused else str(error), "refused")
        except UnansweredError:
            self._cut("Nobody was there to answer a question.", "unanswered")
            raise
        except MemoryError:
            self._cut("The computer ran out of memory.", "program_error")
            raise
        except BaseException as error:
            self._cut(f"The program failed: {error!r}.", "program_error")
            raise
        finally:
            ended = self._end(state)
        return ended

    def make_loop(self) -> ControlLoop:
        """Return the job's control loop."""
        period_s = 1.0 / self.order.station.sample_hz
        return ControlLoop(
            self.station,
            self.backend.clock,
            Guard(self.limits, LOST_SAMPLES * period_s),
            period_s,
            listen=self.listen,
            watch=self.console.sample,
            ask=self.ask,
            set_supply=self.set_supply,
            set_aside=self.set_aside,
            news=self.news,
            on_trip=self.survived,
            lateness=None if self.claim is None else LatenessMeter(period_s),
            in_phase=self.premises.in_phase(period_s),
            may_start=self.premises.may_start if self.starts_in_turn else None,
        )

    def _start(self, dates: Dates) -> RunStart:
        order = self.order
        return RunStart(
            started_at=dates.began,
            unit_serial=order.unit_serial,
            unit_type=order.plan.unit.type,
            plan_name=order.plan.name,
            plan_text=order.plan.text,
            rig_name=order.settings.name,
            rig_text=order.settings.text,
            station=order.station.name,
            operator=order.operator,
            source=order.source,
            reference=order.reference,
            backend=self.backend.name,
            simulated=self.backend.simulated,
            backend_facts=self.backend.facts(),
            program_version=rig.__version__,
            control=self.control,
            calibration=self.standing,
            golden=self.golden,
            gauge_trial=order.gauge_trial,
            lot_item=order.lot_item,
        )

    def _golden(self) -> Said:
        order = self.order
        demanded = order.settings.golden.every_days
        return self.keeper.golden(
            order.station.name,
            order.unit_serial,
            order.plan.name,
            demanded,
            simulated=self.backend.simulated,
        )

    @property
    def control(self) -> str | None:
        """What the control loop was granted, in words; None in virtual time."""
        return None if self.claim is None else self.claim.text

    # --- the way in -----------------------------------------------------------------------

    def _begin(self) -> None:
        """Feeds off, sensor alive, dead-man proved, consent given, supply on: in that order."""
        loop = self.loop
        self._need_calibration()
        self._need_control()
        if not self.station.all_off():
            raise RefusedError(
                "A feed output does not read back off before the start. Pull the supply and check "
                "the relay board."
            )
        if self.claim is not None and self.claim.advice and not self.backend.simulated:
            self.log.note("control", self.claim.words)
        if self.premises.words:
            hz = self.order.station.sample_hz
            self.log.note("stations", f"{hz} samples a second. {self.premises.words}.")
        self._need_sensor()
        self.log.note("dead_man", self.premises.arm(loop))
        self._need_consent()
        loop.consent = True
        self.premises.beside(loop, lambda: self.power.start(self.home_supply_v), cycling=True)
        if self.power.programmable:
            self.log.note("supply", self.power.describe())
        loop.resume_after_pause()
        loop.prove_off()

    @property
    def home_supply_v(self) -> float | None:
        """The voltage that a programmable supply is set to, V; None without one."""
        return self.order.plan.unit.nominal_v if self.power.programmable else None

    def _need_calibration(self) -> None:
        """Tell how the station stands; RefusedError if the rig file wants one to be in force."""
        words = standing_words(self.standing)
        in_force = self.standing.state is CalibrationState.IN_FORCE
        if self.judges and not in_force and self.order.settings.calibration.overdue == "refuse":
            raise RefusedError(
                f"{words} The rig file says that no plan may be run so ([calibration] overdue = "
                '"refuse"): calibrate with `halfturn calibrate`.'
            )
        if standing_in_short(self.standing):
            self.log.note("calibration", words)

    def _need_sensor(self) -> None:
        if self.loop.idle(0.05).flags & LOST:
            sensor = self.station.wiring.battery_sensor
            raise RefusedError(
                f"The current sensor of station {self.station.wiring.name} does not answer at "
                f"address 0x{sensor.address:02x} on bus {sensor.bus}. Check its plug, its wiring "
                "and its 3.3 V, then start again."
            )

    def _need_control(self) -> None:
        """Refuse to judge a unit on a rig that is out of control, where the rig file says so."""
        if not (self.judges and self.order.settings.golden.refuse):
            return
        if self.order.gauge_trial is None and golden_standing(self.golden) in REFUSED:
            raise RefusedError(
                f"{golden_words(self.golden)} Nothing was fed: the rig file refuses to judge units "
                "until then ([golden] refuse)."
            )

    def _need_consent(self) -> None:
        if not self.order.consent:
            told = golden_words(self.golden) if is_warning(self.golden) else ""
            if self.ask(consent_question(told)) != "accepted":
                raise RefusedError(
                    "The cautions were not accepted, so nothing is fed. Start again when the jig "
                    "is guarded."
                )
            self.loop.resume_after_pause()
        alone = self.backend.hands is not None and not self.order.ask_operator
        by = "the simulated operator" if alone else "the operator"
        self.log.note("consent", f"{by} accepted the cautions of this run")

    # --- answers to the loop --------------------------------------------------------------

    def listen(self) -> None:
        """Take what was commanded; raises Stopped."""
        for command in self.console.listen():
            match command:
                case Note():
                    self.log.note("note", command.text)
                case Meddle():
                    self._world(meddled(command, self.backend.hands))
                case _:
                    self.take(command)

    def ask(self, ask: Ask) -> str:
        """Return the answer of whoever is at the jig."""
        hands = self.backend.hands
        answer = answered(ask, hands, self.order, self.console, self.loop.wait, self._world)
        if answer == "done":
            # Before anything is fed: if the run is lost then, the record tells what may be left.
            self.log.note("jig", f"Said to be done: {errand_in_short(ask.text)}")
        return answer

    def _world(self, text: str) -> None:
        self.log.note("world", text)

    def set_supply(self, request: SetSupply) -> None:
        """Set the bench supply."""
        power = self.power
        self.premises.beside(
            self.loop, lambda: power.set(request.voltage_v, request.limit_a), cycling=True
        )

    def set_aside(self, request: SetSupply) -> Done:
        """Begin to set the bench supply while the loop cycles on; return what tells when it is set.

        Where time is the world's own it stands still meanwhile, so that there is nothing to wait
        for.
        """
        if self.claim is None:
            self.set_supply(request)
            return lambda: True
        return Aside(lambda: self.power.set(request.voltage_v, request.limit_a)).done

    def news(self, news: HalfTurnNews) -> None:
        """Tell of a half-turn that ended."""
        self.console.show(HalfTurnEnded(news.to_run, news.parked, news.after_s))

    def survived(self, trip: Trip) -> None:
        """Take note of a trip that does not end the job."""
        self._told = trip.text
        self.log.note(f"trip_{trip.kind}", trip.text)

    # --- the way out ----------------------------------------------------------------------

    def off(self, text: str, kind: str) -> None:
        """Take the feeds off and say why, unless a trip that ends the job after all was told."""
        self.station.all_off()
        self._note = text
        if text != self._told:
            with suppress(RecordsError):  # the run's note says it too, and its end is still to come
                self.log.note(kind, text)

    def _cut(self, text: str, kind: str) -> None:
        self.off(text, kind)
        self.unfinished(text)

    def _end(self, state: RunState) -> RunEnded:
        off = self.station.all_off()
        if not self.power.stop():
            text = "The bench supply did not confirm its output off. Switch it off by hand."
            self._note = f"{self._note} {text}".strip()
            with suppress(RecordsError):  # the run's note says it too
                self.log.note("supply_on", text)
        stepped = self.log.dates.stepped()
        if stepped:
            with suppress(RecordsError):
                self.log.note("clock", stepped)
        judgement = self.judgement()
        run_id = self.log.run_id
        meter = self.loop.lateness
        lateness = None if meter is None else meter.result()
        end = RunEnd(self.log.dates.now(), state, judgement, off, self._note, lateness=lateness)
        ended = RunEnded(
            run_id, state, judgement, off, self._note, self._on_request, self.control, lateness
        )
        try:
            self.wait_on_disk(self.keeper.finish_run(run_id, end), False)
        except RecordsError as error:
            # Whoever watches learns how it ended, and whether the feeds are off, in any case.
            text = not_kept(judgement, error)
            self.console.show(replace(ended, note=f"{self._note} {text}".strip()))
            raise RecordsError(text) from error
        self.console.show(ended)
        return ended

    def wait_on_disk(self, done: Done, cycling: bool) -> None:
        """Return when ``done()``: cycling with the feeds off, or standing still at the end."""
        if cycling:
            self.loop.wait(done)
            return
        self.loop.rest(done)


def not_kept(judgement: Judgement | None, error: RecordsError) -> str:
    """Return what is said of a run whose end could not be recorded."""
    verdict = f" Its verdict was {judgement.verdict}: write it down." if judgement else ""
    return (
        f"The run is over, but its end may be missing from the record: {error} Every step that was "
        f"recorded before is kept.{verdict} Put the records right before the next run."
    )


def consent_question(golden: str = "") -> Ask:
    """Return what an operator accepts before the first feed; ``golden``: what is told before."""
    lines = "\n".join(f"  - {line}" for line in CAUTIONS)
    before = f"{golden}\n" if golden else ""
    text = f"{before}Cautions:\n{lines}\nHave you read these, and is the jig guarded?"
    return Ask("accept_cautions", text, ("accepted", "refused"))


def battery_accuracy(order: RunOrder, station: Station, standing: Standing) -> Accuracy:
    """Return what the battery feed's sensor and relay let be known, by the station's budget."""
    full_scale_a = station.battery_sensor.full_scale_a
    return accuracy_of(order.station, order.plan, standing, full_scale_a)


def guard_limits(plan: Plan) -> GuardLimits:
    """Return the guard's limits of a plan."""
    guard, unit = plan.guard, plan.unit
    return GuardLimits(
        over_current_a=guard.over_current_a,
        over_current_s=guard.over_current_s,
        stall_s=guard.stall_s,
        run_on_s=guard.run_on_s,
        step_max_s=guard.step_max_s,
        winding_max_c=guard.winding_max_c,
        winding_ohm=unit.winding_ohm,
        heat_j_per_k=unit.heat_j_per_k,
        cooling_k_per_w=unit.cooling_k_per_w,
    )
