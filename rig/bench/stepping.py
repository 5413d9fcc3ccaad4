"""One step of a plan: fed by the loop, concluded from its trace, judged and kept."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Protocol

from drivers import DriverError
from rig.analysis.judge import judge_half_turns
from rig.analysis.model import Reason, Verdict
from rig.analysis.soundness import AtRest, at_rest, clipping, rig_trouble
from rig.analysis.trace import Trace
from rig.bench.errors import BenchError, RefusedError, Stopped, TripKind, Tripped
from rig.bench.events import StepBegan, StepEnded
from rig.bench.guard import GuardLimits
from rig.bench.loop import ControlLoop
from rig.bench.premises import Alone, Premises
from rig.bench.runlog import RunLog
from rig.bench.seams import Done
from rig.bench.steps import Findings, SkippedStep, StepContext, StepWork
from rig.plans import HALF_TURN_GUESS_S, SupplySweepStep
from rig.records.model import AGAIN, Held, StepRecord, StepState

# Each step's trace begins with this much rest (s), for the analysis to know rest level and noise.
BASELINE_S = 0.2
# And ends with so much (s): where the zero has moved by then, what came before is not believed.
ZERO_AGAIN_S = 0.15
# The measure of a reason that speaks of the rig.
_RIG = "rig"


class StepLike(Protocol):
    """A step as it is announced and recorded: of a plan (`rig.plan_steps`), or any other."""

    @property
    def kind(self) -> str:
        """Its kind, for the record."""
        ...

    @property
    def label(self) -> str:
        """Its title."""
        ...

    @property
    def half_turns(self) -> int:
        """How many half-turns it means to make; 0: none, or as many as it takes."""
        ...

    @property
    def sets_supply(self) -> bool:
        """Whether it sets a programmable supply, which feeds every station."""
        ...

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long it feeds and waits, s, at ``half_turn_s`` a half-turn."""
        ...


def step_named(place: StepPlace, step: StepLike) -> str:
    """Return "Step 3 of the plan (Park check)": after a repetition the record counts otherwise."""
    of_plan = " of the plan" if place.steps else ""
    return f"Step {place.number}{of_plan} ({step.label})"


@dataclass(frozen=True)
class StepPlace:
    """Which step of how many of the plan it is, its number in the record, what comes after (s).

    ``steps`` is 0 where no plan tells how many there will be.
    """

    number: int
    steps: int
    record_number: int
    repeated: bool = False
    to_come_s: float = 0.0


@dataclass
class StepRunner:
    """Runs the steps of one run, one after the other.

    ``wait_on_disk`` returns when a step is in the record; it cycles the loop if told so.
    ``left_behind`` is what the last step left at the jig that no other step may meet.
    ``conclude`` may add to what a step that was done found, before it is recorded.
    ``premises`` has a step wait, feeds off, until it may feed; ``can_set_supply`` tells that the
    supply is programmable.
    """

    loop: ControlLoop
    context: StepContext
    guard_limits: GuardLimits
    log: RunLog
    wait_on_disk: Callable[[Done, bool], None]
    premises: Premises = field(default_factory=Alone)
    can_set_supply: bool = False
    left_behind: str = ""
    conclude: Callable[[Findings], None] | None = None
    _at_rest: AtRest | None = None  # what the sensor reads so in this run, once it is known

    def run(self, place: StepPlace, step: StepLike, work: StepWork) -> StepState:
        """Run the step at ``place`` and keep what it found, even if it is cut short.

        Returns whether it was done or skipped.  Raises what ended the run: Tripped, Stopped,
        DriverError or RecordsError.
        """
        sets_supply = self.can_set_supply and step.sets_supply
        with ExitStack() as feeding:
            feeding.enter_context(
                self.premises.feeding(
                    self.loop, lambda text: self.log.note("waits", text), sets_supply=sets_supply
                )
            )
            return self._run(place, step, work, feeding.close)

    def _run(
        self, place: StepPlace, step: StepLike, work: StepWork, fed: Callable[[], None]
    ) -> StepState:
        """Run a step that may feed now; ``fed`` is called when it needs to no longer."""
        loop = self.loop
        self._announce(place, step)
        began = self.log.dates.now()
        loop.recorder.clear()
        state, note = StepState.CUT_SHORT, ""
        try:
            loop.idle(BASELINE_S)
            loop.guard.begin_step(loop.clock.now_s(), work.guard_limits(self.guard_limits))
            loop.resume_after_pause()
            loop.run_step(work.drive(self.context))
            loop.idle(ZERO_AGAIN_S)
            state = StepState.DONE
        except SkippedStep as skipped:
            state, note = StepState.SKIPPED, f"Skipped: {skipped}."
            if not (isinstance(step, SupplySweepStep) and step.needs_supply == "skip"):
                text = f"{step_named(place, step)} was not done: {skipped}."
                self.log.argue(Verdict.RETEST, text, step.kind)
            else:
                text = (
                    f"Not judged: the lowest working voltage, since {skipped} (the plan allows it)."
                )
                self.log.argue(Verdict.PASS, text, step.kind)
        except Tripped as tripped:
            note = str(tripped)
            if tripped.trip.of_unit:
                self._see_feed_open()
            raise
        except (Stopped, DriverError) as error:
            note = str(error)
            raise
        finally:
            loop.guard.end_step()
            findings = Findings()
            trace = None
            try:
                fed()
                if state is not StepState.SKIPPED:
                    findings, trace = self._find(work)
                    loop.excuse()
                if state is StepState.CUT_SHORT and findings.left_behind:
                    self.log.note("left_behind", findings.left_behind)
                if state is StepState.DONE and self.conclude is not None:
                    self.conclude(findings)
            except BenchError:
                raise
            except Exception as error:
                note = f"{note} The step could not be analysed: {error!r}.".strip()
                raise
            finally:
                findings.note = note or findings.note
                self._keep(place, step, began, state, findings, trace)
        self.left_behind = findings.left_behind
        if findings.rig_fault:
            raise RefusedError(findings.rig_fault)
        return state

    def _see_feed_open(self) -> None:
        """After a trip of the unit's: raise in its place if the feed does not open.

        Whatever else comes meanwhile, a stop say, the trip is what ended the step.
        """
        try:
            self.loop.prove_off()
        except Stopped:
            return
        except Tripped as later:
            if later.trip.kind in (TripKind.LIVE_WITH_FEED_OFF, TripKind.FEED_MISMATCH):
                raise

    def _announce(self, place: StepPlace, step: StepLike) -> None:
        self.log.console.show(
            StepBegan(
                place.number,
                place.steps,
                step.kind,
                step.label,
                step.expected_s(HALF_TURN_GUESS_S),
                self.loop.clock.now_s(),
                step.half_turns,
                place.repeated,
                place.to_come_s,
            )
        )

    def _find(self, work: StepWork) -> tuple[Findings, Trace]:
        """Return what the step found and its trace, worked out beside other stations' loops."""
        kept = self.loop.recorder

        def analyse() -> tuple[Findings, Trace]:
            trace = kept.trace()
            return (self._found_in(trace, work) if len(trace) else Findings()), trace

        found, trace = self.premises.beside(self.loop, analyse, cycling=False)
        if found.zero_offset_a is not None:
            sensor = self.loop.station.battery_sensor
            # The sensor takes its offset off before the gain; the trace has the gain applied.
            if self._at_rest is not None:
                self._at_rest = replace(self._at_rest, zero_a=0.0)  # from now on
            sensor.set_zero(sensor.offset_a + found.zero_offset_a / sensor.wiring.gain)
        return found, trace

    def _found_in(self, trace: Trace, work: StepWork) -> Findings:
        found = work.find(self.context, trace)
        found.half_turns = tuple(
            replace(turn, number=self.log.half_turns + k)
            for k, turn in enumerate(found.half_turns, start=1)
        )
        self.log.half_turns += len(found.half_turns)
        self._doubt(found, trace)
        limits = self.context.limits
        if found.judged:
            self.log.judged.extend(found.half_turns)
        if not self.log.unsound:
            self.log.judge(found.measures, limits)
        self.log.reasons.extend(found.reasons)
        return found

    def _doubt(self, found: Findings, trace: Trace) -> None:
        """Let nothing count of a step whose trace shows that the rig was not sound."""
        every = self.loop.station.wiring.battery_sensor.bus_every
        known = None if found.zero_offset_a is not None else self._at_rest  # found anew
        self.log.unsound = found.unsound or rig_trouble(
            trace, self.context.unit, every, known, found.lowest_v
        )
        if known is None:
            self._at_rest = at_rest(trace)
        clipped = clipping(trace)
        if clipped and found.judged and self.context.limits.peak_max_a is not None:
            found.reasons.append(Reason(Verdict.RETEST, clipped, _RIG))
        if not self.log.unsound or found.rig_fault:
            return
        turns = judge_half_turns(found.half_turns, self.context.limits) if found.judged else ()
        text = f"{self.log.unsound} The step counts for nothing; do it again."
        found.reasons = [
            *(r for r in turns if r.verdict is Verdict.RETEST and r.measure == "outcome"),
            Reason(Verdict.RETEST, text, _RIG),
        ]
        found.judged, found.zero_offset_a = False, None

    def _held(self, state: StepState, found: Findings) -> Held | None:
        """Return what of the step was held against the limits."""
        if state is StepState.SKIPPED:
            return None
        if found.judged:
            return Held.ALL
        return Held.NOTHING if self.log.unsound else Held.MEASURES

    def _keep(
        self,
        place: StepPlace,
        step: StepLike,
        began: datetime,
        state: StepState,
        found: Findings,
        trace: Trace | None,
    ) -> None:
        record = StepRecord(
            number=place.record_number,
            kind=step.kind,
            title=step.label + (AGAIN if place.repeated else ""),
            started_at=began,
            ended_at=self.log.dates.now(),
            state=state,
            measures=tuple(found.measures),
            half_turns=found.half_turns,
            trace=self.loop.recorder.trace() if trace is None else trace,
            answers=dict(found.answers),
            note=found.note,
            held=self._held(state, found),
        )
        done = self.log.keeper.finish_step(self.log.run_id, record)
        # After a step that was cut short the run is ending: no more cycles then.
        self.wait_on_disk(done, state is not StepState.CUT_SHORT)
        self.log.console.show(
            StepEnded(
                place.number,
                step.kind,
                record.title,
                state,
                record.measures,
                record.half_turns,
                found.note,
            )
        )
