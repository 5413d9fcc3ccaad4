"""One run of one plan on one station, from the first record to the last."""

from __future__ import annotations

from datetime import UTC, datetime

import rig
from drivers import LOST, Backend, DriverError
from rig.analysis.judge import combine
from rig.analysis.model import Accuracy, Verdict
from rig.bench.cautions import CAUTIONS
from rig.bench.errors import RefusedError, Stopped, Trip, TripKind, Tripped
from rig.bench.events import HalfTurnEnded, RunBegan, RunEnded
from rig.bench.guard import WELDED_AFTER_S, Guard, GuardLimits
from rig.bench.loop import ControlLoop
from rig.bench.order import RunOrder
from rig.bench.power import Power
from rig.bench.requests import Ask, HalfTurnNews, SetSupply
from rig.bench.runlog import RunLog
from rig.bench.seams import Console, Done, Keeper
from rig.bench.station import Station
from rig.bench.stepping import HALF_TURN_GUESS_S, StepRunner
from rig.bench.steps import StepContext, make_work
from rig.plans import Plan
from rig.records.errors import RecordsError
from rig.records.model import RunEnd, RunStart, RunState

# With the supply on and the feeds off, the guard sees a welded feed relay within this time (s).
PROVE_OFF_S = WELDED_AFTER_S + 0.1


class Session:
    """Runs one order; `run` returns how it ended and never leaves a feed on."""

    def __init__(self, order: RunOrder, backend: Backend, keeper: Keeper, console: Console) -> None:
        self.order = order
        self.backend = backend
        self.keeper = keeper
        self.console = console
        self._note = ""
        self._on_request = False

    def run(self) -> RunEnded:
        """Run the plan and return how it ended.

        Raises DriverError or RecordsError if it cannot start; nothing was fed then.
        """
        wiring = self.order.wiring()
        name = self.order.station.name
        station_wiring = next(station for station in wiring.stations if station.name == name)
        station = Station(self.backend, wiring, station_wiring)
        try:
            with Power.open(self.backend, wiring.supply) as power:
                return self._run(station, power)
        finally:
            station.close()

    def _run(self, station: Station, power: Power) -> RunEnded:
        self.station, self.power = station, power
        plan = self.order.plan
        limits = guard_limits(plan)
        self.loop = self._loop(station, limits)
        self.log = RunLog(
            self.keeper,
            self.console,
            self.backend.clock.now_s,
            self.keeper.begin_run(self._start()),
            plan.analysis_limits(),
        )
        self._announce()
        state = RunState.INTERRUPTED
        try:
            self._begin()
            runner = StepRunner(self.loop, self._context(), limits, self.log, self._wait_on_disk)
            for number, step in enumerate(plan.steps, start=1):
                work = make_work(step, self.order.station.battery_sensor.shunt_ohm)
                runner.run(number, len(plan.steps), step, work)
            self.loop.idle(PROVE_OFF_S)
            state = RunState.FINISHED
        except Tripped as tripped:
            state = self._tripped(tripped.trip)
        except Stopped as stopped:
            state = RunState.STOPPED if stopped.by_operator else RunState.INTERRUPTED
            self._on_request = True
            self._cut(str(stopped), "stop")
        except (RefusedError, DriverError, RecordsError) as error:
            self._cut(str(error), "refused")
        except BaseException as error:
            self._cut(f"The program failed: {error!r}.", "program_error")
            raise
        finally:
            ended = self._end(state)
        return ended

    # --- before the first step ------------------------------------------------------------

    def _loop(self, station: Station, limits: GuardLimits) -> ControlLoop:
        return ControlLoop(
            station,
            self.backend.clock,
            Guard(limits),
            1.0 / self.order.station.sample_hz,
            listen=self.console.listen,
            watch=self.console.sample,
            ask=self._ask,
            set_supply=self._set_supply,
            news=self._news,
            on_trip=self._survived,
        )

    def _context(self) -> StepContext:
        plan, station = self.order.plan, self.station
        sensor, wired = station.battery_sensor, station.wiring
        return StepContext(
            unit=plan.unit_type(),
            limits=self.log.limits,
            accuracy=Accuracy(
                relay_u_s=wired.ignition_feed.delay_u_s,
                sensor_delay_u_s=sensor.time_u_s,
                gain_u_rel=wired.battery_sensor.gain_u_rel,
                offset_u_a=wired.battery_sensor.offset_u_a,
                full_scale_a=sensor.full_scale_a,
            ),
            motion=self.loop.guard.motion,
            recorder=self.loop.recorder,
            home_supply_v=self._home_supply_v,
            home_limit_a=self.power.limit_a,
            coil_accuracy=(
                None
                if wired.ignition_sensor is None
                else Accuracy(
                    gain_u_rel=wired.ignition_sensor.gain_u_rel,
                    offset_u_a=wired.ignition_sensor.offset_u_a,
                )
            ),
        )

    @property
    def _home_supply_v(self) -> float | None:
        return self.order.plan.unit.nominal_v if self.power.programmable else None

    def _start(self) -> RunStart:
        order = self.order
        return RunStart(
            started_at=datetime.now(UTC),
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
        )

    def _announce(self) -> None:
        plan = self.order.plan
        self.console.show(
            RunBegan(
                self.log.run_id,
                self.order.station.name,
                plan.title,
                len(plan.steps),
                sum(step.expected_s(HALF_TURN_GUESS_S) for step in plan.steps),
                self.backend.simulated,
                self.backend.facts(),
            )
        )

    def _begin(self) -> None:
        """Feeds off, sensor alive, dead-man proved, consent given, supply on: in that order."""
        loop = self.loop
        if not self.station.all_off():
            raise RefusedError(
                "A feed output does not read back off before the start. Pull the supply and check "
                "the relay board."
            )
        self._need_sensor()
        self.log.note("dead_man", loop.arm())
        self._need_consent()
        loop.consent = True
        self.power.start(self._home_supply_v)
        if self.power.programmable:
            self.log.note("supply", self.power.describe())
        loop.resume_after_pause()
        loop.idle(PROVE_OFF_S)

    def _need_sensor(self) -> None:
        if self.loop.idle(0.05).flags & LOST:
            sensor = self.station.wiring.battery_sensor
            raise RefusedError(
                f"The current sensor of station {self.station.wiring.name} does not answer at "
                f"address 0x{sensor.address:02x} on bus {sensor.bus}. Check its plug, its wiring "
                "and its 3.3 V, then start again."
            )

    def _need_consent(self) -> None:
        if not self.order.consent:
            lines = "\n".join(f"  - {line}" for line in CAUTIONS)
            text = f"Cautions:\n{lines}\nHave you read these, and is the jig guarded?"
            if self._ask(Ask("accept_cautions", text, ("accepted", "refused"))) != "accepted":
                raise RefusedError(
                    "The cautions were not accepted, so nothing is fed. Start again when the jig "
                    "is guarded."
                )
            self.loop.resume_after_pause()
        by = "the simulated operator" if self.backend.hands is not None else "the operator"
        self.log.note("consent", f"{by} accepted the cautions of this run")

    # --- answers to the loop --------------------------------------------------------------

    def _ask(self, ask: Ask) -> str:
        if self.backend.hands is not None:
            return self.backend.hands.do(ask.action, ask.detail)
        return self.console.ask(ask, self.loop.wait)

    def _set_supply(self, request: SetSupply) -> None:
        self.power.set(request.voltage_v, request.limit_a)

    def _news(self, news: HalfTurnNews) -> None:
        self.console.show(HalfTurnEnded(news.to_run, news.parked, news.after_s))

    def _survived(self, trip: Trip) -> None:
        self.log.note(f"trip_{trip.kind}", trip.text)

    # --- the end --------------------------------------------------------------------------

    def _tripped(self, trip: Trip) -> RunState:
        self._off(trip.text, f"trip_{trip.kind}")
        if not trip.of_unit:
            self._argue_unfinished(trip.text)
            return RunState.INTERRUPTED
        # What a stall or a run-on was, the analysis of the trace decides; the guard saw signs.
        failed = any(reason.verdict is Verdict.FAIL for reason in self.log.all_reasons())
        certain = trip.kind is TripKind.OVER_CURRENT or failed
        self.log.argue(Verdict.FAIL if certain else Verdict.RETEST, trip.text, "guard")
        return RunState.FINISHED

    def _cut(self, text: str, kind: str) -> None:
        self._off(text, kind)
        self._argue_unfinished(text)

    def _off(self, text: str, kind: str) -> None:
        self.station.all_off()
        self._note = text
        self.log.note(kind, text)

    def _argue_unfinished(self, text: str) -> None:
        self.log.argue(
            Verdict.RETEST,
            f"The plan was not carried out to its end, so it cannot pass the unit: {text}",
            "run",
        )

    def _end(self, state: RunState) -> RunEnded:
        off = self.station.all_off()
        if not self.power.stop():
            text = "The bench supply did not confirm its output off. Switch it off by hand."
            self.log.note("supply_on", text)
            self._note = f"{self._note} {text}".strip()
        judgement = combine(self.log.all_reasons())
        run_id = self.log.run_id
        end = RunEnd(datetime.now(UTC), state, judgement, off, self._note)
        self._wait_on_disk(self.keeper.finish_run(run_id, end), False)
        ended = RunEnded(run_id, state, judgement, off, self._note, self._on_request)
        self.console.show(ended)
        return ended

    def _wait_on_disk(self, done: Done, cycling: bool) -> None:
        if cycling:
            self.loop.wait(done)
            return
        clock = self.backend.clock
        while not done():
            clock.sleep_until(clock.now_s() + 0.001)


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
