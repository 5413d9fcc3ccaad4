"""A fed job made of steps: each recorded, paused after if wished, done again if wished."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

from drivers import Backend
from rig.analysis.judge import combine
from rig.analysis.model import Judgement, Verdict
from rig.bench.commands import Command
from rig.bench.errors import RefusedError, Trip, TripKind
from rig.bench.events import Paused, WentOn
from rig.bench.loop import ControlLoop
from rig.bench.opening import FedJob, battery_accuracy
from rig.bench.order import RunOrder
from rig.bench.premises import Premises
from rig.bench.seams import Console, Keeper
from rig.bench.stepping import StepLike, StepPlace, StepRunner, step_named
from rig.bench.steps import StepContext, StepWork
from rig.bench.wishes import Wishes
from rig.quality.uncertainty import coil_accuracy_of
from rig.records.model import RunState, StepState


@dataclass(frozen=True, slots=True)
class Place:
    """Which step of how many it is, how long all later ones take (s), and whether any follows."""

    number: int
    steps: int
    to_come_s: float = 0.0
    more: bool = False
    last_part: bool = True


class SteppedJob(FedJob):
    """Runs steps one after the other; subclasses say which, in `work`."""

    runner: StepRunner

    def __init__(
        self,
        order: RunOrder,
        backend: Backend,
        keeper: Keeper,
        console: Console,
        premises: Premises | None = None,
    ) -> None:
        super().__init__(order, backend, keeper, console, premises)
        self.wishes = Wishes()
        self.records = 0  # steps in the record, repetitions counted
        self.step = 0  # the number of the step that is on or was last
        self.between = False  # that step is over
        self._cut_off = False

    def make_runner(self) -> StepRunner:
        """Return what runs the steps of this job."""
        return StepRunner(
            self.loop,
            self.step_context(),
            self.limits,
            self.log,
            self.wait_on_disk,
            self.premises,
            can_set_supply=self.power.programmable,
        )

    def do_step(self, place: Place, step: StepLike, work_of: Callable[[], StepWork]) -> StepState:
        """Do one step, again as often as wished; return how its last repetition ended."""
        self.step = place.number
        repeated = False
        while True:
            self.records += 1
            at = StepPlace(place.number, place.steps, self.records, repeated, place.to_come_s)
            mark = self.log.mark()
            self.wishes.repeat = False
            self.between = False
            state = self.runner.run(at, step, work_of())
            self.between = place.last_part
            if repeated and state is StepState.DONE:
                self.log.settle()
            left_behind = self.runner.left_behind
            if left_behind:
                self.log.note("left_behind", left_behind)
            self.pause_if_wished()
            again = self.wishes.repeat
            if left_behind:
                self._end_with(left_behind, more=again or place.more)
            if not again:
                return state
            repeated = True
            self.log.supersede(mark, step_named(at, step))
            self.log.note("repeat", f"{step_named(at, step)} is being repeated.")

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

    def step_context(self) -> StepContext:
        """Return what the steps may know of this job."""
        wired = self.station.wiring
        return StepContext(
            unit=self.order.plan.unit_type(),
            limits=self.log.limits,
            accuracy=battery_accuracy(self.order, self.station, self.standing),
            motion=self.loop.guard.motion,
            recorder=self.loop.recorder,
            home_supply_v=self.home_supply_v,
            home_limit_a=self.power.limit_a,
            coil_accuracy=coil_accuracy_of(self.order.station),
            voltage_every=wired.battery_sensor.bus_every,
        )

    def take(self, command: Command) -> None:
        """Take note of a wish."""
        self.wishes.take(command)

    def pause_if_wished(self) -> None:
        """Pause here, between two steps, if that is wished for."""
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
        self.log.argue_end(verdict, f"{trip.text}{self.left_out()}", "guard")
        return RunState.FINISHED

    def unfinished(self, text: str) -> None:
        """Argue that a plan that was not carried out passes nothing."""
        self._cut_off = True
        self.log.argue_end(Verdict.RETEST, f"{as_sentence(text)} {self.cut_off_words()}", "run")

    @abstractmethod
    def cut_off_words(self) -> str:
        """Return where the job was left, and that the unit does not pass so."""

    @abstractmethod
    def left_out(self) -> str:
        """Return what was not done any more, as a sentence after another; may be empty."""


def as_sentence(text: str) -> str:
    """Return ``text`` with a capital at its beginning and a full stop at its end."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
