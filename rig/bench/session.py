"""One run of one plan on one unit: its steps, its pauses and repetitions, its verdict."""

from __future__ import annotations

from drivers import Backend
from rig.analysis.judge import combine
from rig.analysis.model import Accuracy, Judgement, Verdict
from rig.bench.commands import Command
from rig.bench.errors import Trip, TripKind
from rig.bench.events import Paused, RunBegan, WentOn
from rig.bench.loop import ControlLoop
from rig.bench.opening import PROVE_OFF_S, FedJob, battery_accuracy
from rig.bench.order import RunOrder
from rig.bench.seams import Console, Keeper
from rig.bench.stepping import StepPlace, StepRunner, step_named
from rig.bench.steps import StepContext, make_work
from rig.bench.wishes import Wishes
from rig.plans import HALF_TURN_GUESS_S
from rig.records.model import RunState, StepState


class Session(FedJob):
    """Runs one order; `run` returns how it ended and never leaves a feed on."""

    def __init__(self, order: RunOrder, backend: Backend, keeper: Keeper, console: Console) -> None:
        super().__init__(order, backend, keeper, console)
        self.wishes = Wishes()

    # --- what a run is --------------------------------------------------------------------

    def began(self) -> RunBegan:
        """Tell plan, steps and expected length."""
        plan = self.order.plan
        return RunBegan(
            self.log.run_id,
            self.order.station.name,
            plan.title,
            len(plan.steps),
            sum(step.expected_s(HALF_TURN_GUESS_S) for step in plan.steps),
            self.backend.simulated,
            self.backend.facts(),
        )

    def work(self) -> RunState:
        """Run step after step."""
        runner = StepRunner(self.loop, self._context(), self.limits, self.log, self.wait_on_disk)
        steps = self.order.plan.steps
        record_number = 0
        for number, step in enumerate(steps, start=1):
            to_come_s = sum(later.expected_s(HALF_TURN_GUESS_S) for later in steps[number:])
            repeated = False
            while True:
                if self.wishes.pause:
                    self._while_paused()
                record_number += 1
                work = make_work(step, self.order.station.battery_sensor.shunt_ohm)
                place = StepPlace(number, len(steps), record_number, repeated, to_come_s)
                mark = self.log.mark()
                self.wishes.repeat = False
                state = runner.run(place, step, work)
                if not self.wishes.repeat:
                    break
                repeated = True
                self.log.supersede(mark, step_named(number, step))
                self.log.note("repeat", f"{step_named(number, step)} is done once more.")
            self.log.settle(done=state is StepState.DONE)
        self.loop.idle(PROVE_OFF_S)
        return RunState.FINISHED

    def judgement(self) -> Judgement:
        """Combine every reason found."""
        return combine(self.log.all_reasons())

    # --- while it is on -------------------------------------------------------------------

    def make_loop(self) -> ControlLoop:
        """Return a control loop that pauses between half-turns when that is wished for."""
        loop = super().make_loop()
        loop.pause_by(lambda: self.wishes.pause, self._while_paused)
        return loop

    def _context(self) -> StepContext:
        plan, wired = self.order.plan, self.station.wiring
        ignition = wired.ignition_sensor
        return StepContext(
            unit=plan.unit_type(),
            limits=self.log.limits,
            accuracy=battery_accuracy(self.station),
            motion=self.loop.guard.motion,
            recorder=self.loop.recorder,
            home_supply_v=self.home_supply_v,
            home_limit_a=self.power.limit_a,
            coil_accuracy=(
                None
                if ignition is None
                else Accuracy(gain_u_rel=ignition.gain_u_rel, offset_u_a=ignition.offset_u_a)
            ),
        )

    def take(self, command: Command) -> None:
        """Take note of a wish."""
        self.wishes.take(command)

    def _while_paused(self) -> None:
        text = "Paused by the operator, feeds off."
        self.log.note("paused", text)
        self.console.show(Paused(text))
        self.loop.wait(lambda: not self.wishes.pause)
        self.log.note("went_on", "The operator let the run go on.")
        self.console.show(WentOn())

    # --- the end --------------------------------------------------------------------------

    def tripped(self, trip: Trip) -> RunState:
        """Say whose fault it was: the unit's trips are judged, the rig's leave it untested."""
        self.off(trip.text, f"trip_{trip.kind}")
        if not trip.of_unit:
            self.unfinished(trip.text)
            return RunState.INTERRUPTED
        # What a stall or a run-on was, the analysis of the trace decides; the guard saw signs.
        failed = any(reason.verdict is Verdict.FAIL for reason in self.log.all_reasons())
        certain = trip.kind is TripKind.OVER_CURRENT or failed
        self.log.argue(Verdict.FAIL if certain else Verdict.RETEST, trip.text, "guard")
        return RunState.FINISHED

    def unfinished(self, text: str) -> None:
        """Argue that a plan that was not carried out passes nothing."""
        self.log.argue(
            Verdict.RETEST,
            f"The plan was not carried out to its end, so it cannot pass the unit: {text}",
            "run",
        )
