"""One run of one plan on one unit: its steps, its pauses and repetitions, its verdict."""

from __future__ import annotations

from drivers import Backend
from rig.analysis.judge import combine
from rig.analysis.model import Accuracy, Judgement, Verdict
from rig.bench.commands import Command
from rig.bench.errors import RefusedError, Trip, TripKind
from rig.bench.events import Paused, RunBegan, WentOn
from rig.bench.loop import ControlLoop
from rig.bench.opening import FedJob, battery_accuracy
from rig.bench.order import RunOrder
from rig.bench.parts import parts_of
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
        self._step = 0  # the plan's number of the step that is on or was last
        self._between = False  # that step is over
        self._cut_off = False

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
        self._pause_if_wished()
        whole = [(number, part) for number, s in enumerate(steps, 1) for part in parts_of(s)]
        for place_in_run, (number, step) in enumerate(whole, start=1):
            self._step = number
            later = whole[place_in_run:]
            last_part = not later or later[0][0] != number
            to_come_s = sum(other.expected_s(HALF_TURN_GUESS_S) for _, other in later)
            repeated = False
            while True:
                record_number += 1
                work = make_work(step, self.order.station.battery_sensor.shunt_ohm)
                place = StepPlace(number, len(steps), record_number, repeated, to_come_s)
                mark = self.log.mark()
                self.wishes.repeat = False
                self._between = False
                state = runner.run(place, step, work)
                self._between = last_part
                if repeated and state is StepState.DONE:
                    self.log.settle()
                if runner.left_behind:
                    self.log.note("left_behind", runner.left_behind)
                self._pause_if_wished()
                again = self.wishes.repeat
                if runner.left_behind:
                    self._end_with(runner.left_behind, more=again or bool(later))
                if not again:
                    break
                repeated = True
                self.log.supersede(mark, step_named(number, step))
                self.log.note("repeat", f"{step_named(number, step)} is being repeated.")
        self.loop.prove_off()
        return RunState.FINISHED

    def _end_with(self, left_behind: str, *, more: bool) -> None:
        """Let nothing else be measured with what a step left at the jig, and no unit pass with it.

        RefusedError if there is ``more`` to come.
        """
        if more:
            raise RefusedError(
                f"{left_behind} What comes next would be measured with it, so the run ends here. "
                "Put the jig right, then test again."
            )
        self.log.argue_end(
            Verdict.RETEST, f"{left_behind} Put the jig right, then test again.", "run"
        )

    def judgement(self) -> Judgement | None:
        """Combine every reason found; None if the run was over before it was fed or found a fault.

        Nobody has then learnt anything about the unit, so there is nothing to test again.
        """
        reasons = self.log.all_reasons()
        found = any(reason.verdict is Verdict.FAIL for reason in reasons)
        if self._cut_off and not self.loop.has_fed and not found:
            return None
        return combine(reasons)

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
            voltage_every=wired.battery_sensor.bus_every,
        )

    def take(self, command: Command) -> None:
        """Take note of a wish."""
        self.wishes.take(command)

    def _pause_if_wished(self) -> None:
        if self.wishes.pause:
            self._while_paused()

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
        # Signs given by a sensor that was not sound are none of the unit's.
        certain = failed or (trip.kind is TripKind.OVER_CURRENT and not self.log.unsound)
        verdict = Verdict.FAIL if certain else Verdict.RETEST
        self.log.argue_end(verdict, f"{trip.text}{self._left_out()}", "guard")
        return RunState.FINISHED

    def unfinished(self, text: str) -> None:
        """Argue that a plan that was not carried out passes nothing."""
        self._cut_off = True
        self.log.argue_end(Verdict.RETEST, f"{as_sentence(text)} {self._cut_off_words()}", "run")

    def _cut_off_words(self) -> str:
        count = len(self.order.plan.steps)
        if not self._step:
            return "No step of the plan was begun, so it cannot pass the unit."
        where = f"{'after' if self._between else 'in'} step {self._step} of {count}"
        if self._between and self._step == count:
            where = "after its last step, before it was over"
        return f"The plan was left {where}, so it cannot pass the unit.{self._left_out()}"

    def _left_out(self) -> str:
        """Return which steps of the plan were not begun, as a sentence after another."""
        first, last = self._step + 1, len(self.order.plan.steps)
        if first > last:
            return ""
        which = f"Step {last} was" if first == last else f"Steps {first} to {last} were"
        return f" {which} not done."


def as_sentence(text: str) -> str:
    """Return ``text`` with a capital at its beginning and a full stop at its end."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
