"""One run of one plan on one unit: its steps, its pauses and repetitions, its verdict."""

from __future__ import annotations

from functools import partial

from rig.bench.events import RunBegan
from rig.bench.parts import parts_of
from rig.bench.stepped import Place, SteppedJob
from rig.bench.steps import StepWork, make_work
from rig.plans import HALF_TURN_GUESS_S, AnyStep
from rig.records.model import RunState


class Session(SteppedJob):
    """Runs one order; `run` returns how it ended and never leaves a feed on."""

    # --- what a run is --------------------------------------------------------------------

    def began(self) -> RunBegan:
        """Tell plan, steps and expected length."""
        plan = self.order.plan
        expected_s = sum(step.expected_s(HALF_TURN_GUESS_S) for step in plan.steps)
        return self.begins(plan.title, len(plan.steps), expected_s)

    def work(self) -> RunState:
        """Run step after step."""
        self.runner = self.make_runner()
        steps = self.order.plan.steps
        self.pause_if_wished()
        whole = [(number, part) for number, s in enumerate(steps, 1) for part in parts_of(s)]
        for place_in_run, (number, step) in enumerate(whole, start=1):
            later = whole[place_in_run:]
            place = Place(
                number,
                len(steps),
                to_come_s=sum(other.expected_s(HALF_TURN_GUESS_S) for _, other in later),
                more=bool(later),
                last_part=not later or later[0][0] != number,
            )
            self.do_step(place, step, partial(self._work_of, step))
        self.loop.prove_off()
        return RunState.FINISHED

    def _work_of(self, step: AnyStep) -> StepWork:
        return make_work(step, self.order.station.battery_sensor.shunt_ohm)

    # --- words for the end ----------------------------------------------------------------

    def cut_off_words(self) -> str:
        """Return where the plan was left, and that it passes nothing so."""
        count = len(self.order.plan.steps)
        if not self.step:
            return "No step of the plan was begun, so it cannot pass the unit."
        where = f"{'after' if self.between else 'in'} step {self.step} of {count}"
        if self.between and self.step == count:
            where = "after its last step, before it was over"
        return f"The plan was left {where}, so it cannot pass the unit.{self.left_out()}"

    def left_out(self) -> str:
        """Return which steps of the plan were not begun, as a sentence after another."""
        first, last = self.step + 1, len(self.order.plan.steps)
        if first > last:
            return ""
        which = f"Step {last} was" if first == last else f"Steps {first} to {last} were"
        return f" {which} not done."
