"""Steps that measure something other than plain half-turns: zero, rest_draw, supply_sweep, jam."""

from __future__ import annotations

from itertools import pairwise

from rig.analysis.model import HalfTurn, Measure, Outcome, Reason, Verdict
from rig.analysis.rest import rest_draw, zero_offset
from rig.analysis.stall import stall_and_winding
from rig.analysis.trace import Trace
from rig.bench.guard import GuardLimits
from rig.bench.requests import BATTERY, BOTH, Drive
from rig.bench.steps.moves import (
    SETTLE_S,
    ask_done,
    ask_undone,
    hold,
    home,
    rest_off,
    restore_supply,
    series,
    supply,
    survive,
    turns_of,
)
from rig.bench.steps.work import Findings, PlainGuard, SkippedStep, StepContext
from rig.plans import JamStep, RestDrawStep, SupplySweepStep, ZeroStep
from rig.quality.decision import COVERAGE

# INA219 A grade: shunt offset at most 200 uV at its widest range (data sheet SBOS448); a sensor
# beyond three times that is broken rather than in need of zeroing.
ZERO_MAX_V = 600e-6


class Zero(PlainGuard):
    """Zero offset of the sensor with both feeds off."""

    def __init__(self, step: ZeroStep, shunt_ohm: float) -> None:
        self.step = step
        self._max_a = ZERO_MAX_V / shunt_ohm

    def drive(self, ctx: StepContext) -> Drive:
        """Keep the feeds off and listen."""
        yield from rest_off(self.step.duration_s)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the offset, to be taken off from now on unless it is too large to be one."""
        measure = zero_offset(trace)
        found = Findings(measures=[measure])
        offset_a = measure.value
        if offset_a is None:
            found.reasons.append(
                Reason(Verdict.RETEST, "The sensor gave no reading to zero.", measure.name)
            )
        elif abs(offset_a) > self._max_a:
            found.reasons.append(
                Reason(
                    Verdict.RETEST,
                    f"The current sensor reads {offset_a:+.3f} A with the feeds off; more than "
                    f"{self._max_a:.3f} A is no zero offset but a fault of the rig. Check the "
                    "shunt's sense leads and the feed relay.",
                    measure.name,
                )
            )
        else:
            found.zero_offset_a = offset_a
        if found.reasons:
            found.rig_fault = found.reasons[0].text
        return found


class RestDraw(PlainGuard):
    """Current of the parked unit with the battery feed made."""

    def __init__(self, step: RestDrawStep) -> None:
        self.step = step
        self._rest: tuple[float, float] | None = None

    def drive(self, ctx: StepContext) -> Drive:
        """Home the unit, then watch it rest."""
        changed = yield from supply(ctx, self.step.supply_v)
        rested = yield from home(ctx)
        end = yield from hold(BATTERY, self.step.duration_s)
        self._rest = (rested.time_s, end.time_s)
        if changed:
            yield from restore_supply(ctx)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the rest draw; a half-turn seen while homing is recorded, not judged."""
        found = Findings(half_turns=turns_of(ctx, trace), judged=False)
        if self._rest is not None:
            found.measures.append(rest_draw(trace.between(*self._rest), ctx.accuracy, trace))
        else:
            found.judged = True  # cut short: what it did instead of resting counts
        return found


class SupplySweep(PlainGuard):
    """Half-turns at ever lower voltage until the unit no longer completes both."""

    def __init__(self, step: SupplySweepStep) -> None:
        self.step = step
        self._levels: list[tuple[float, float]] = []  # volts set, from s
        self._swept_s = float("inf")

    def drive(self, ctx: StepContext) -> Drive:
        """Lower the supply step by step; a stall at low voltage ends the sweep, not the run."""
        if ctx.home_supply_v is None:
            raise SkippedStep("the rig has no programmable supply to sweep")
        for volts in self.step.levels_v():
            yield from supply(ctx, volts)
            begin = yield BATTERY
            self._levels.append((volts, begin.time_s))
            completed = yield from survive(series(ctx, 2, self.step.pause_s))
            if not completed:
                break
        yield from restore_supply(ctx)
        # A unit that stopped midway to run only moves on with the ignition made: once round.
        sample = yield BATTERY
        self._swept_s = sample.time_s
        yield from series(ctx, 2, self.step.pause_s)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the lowest voltage (V, at the unit) at which both half-turns completed."""
        found = Findings(judged=False)
        lowest_v: float | None = None
        turns: list[HalfTurn] = []
        starts = [start_s for _, start_s in self._levels]
        for start_s, end_s in pairwise([*starts, self._swept_s]):
            level = turns_of(ctx, trace.between(start_s, end_s))
            turns.extend(level)
            if _completes(level):
                volts = [t.supply_v for t in level if t.supply_v is not None]
                lowest_v = min(volts, default=lowest_v)
        found.half_turns = tuple(turns)
        found.answers = {"levels_v": [volts for volts, _ in self._levels]}
        if self._swept_s == float("inf"):
            return found  # cut short: how low it would have gone nobody knows
        if self._levels and lowest_v is None:
            found.reasons.append(
                Reason(
                    Verdict.FAIL,
                    f"The unit did not complete a half-turn each way at {self.step.from_v:g} V, "
                    "where the sweep starts.",
                    "lowest_supply_v",
                )
            )
        elif lowest_v is not None:
            u_v = COVERAGE * ctx.accuracy.voltage_u_v(lowest_v)
            found.measures.append(Measure("lowest_supply_v", lowest_v, "V", u_v))
        return found


def _completes(turns: tuple[HalfTurn, ...]) -> bool:
    parked = [t.outcome in (Outcome.PARKED, Outcome.SLOW) for t in turns]
    return len(parked) >= 2 and all(parked)


class Jam:
    """Lever locked: stall current and resistance, leads included, within the step's stall time."""

    def __init__(self, step: JamStep) -> None:
        self.step = step
        self._fed: tuple[float, float] | None = None
        self._left = ""

    def drive(self, ctx: StepContext) -> Drive:
        """Have the lever locked, feed for the stall time, let it cool, have the lever freed."""
        yield from ask_done(
            "lock_lever",
            "Lock the lever at stop with the jig's pin. Keep hands clear: the lever will push "
            "with full force, and the winding gets hot.",
        )
        changed = yield from supply(ctx, self.step.supply_v, self.step.current_limit_a)
        yield from hold(BATTERY, SETTLE_S)
        began = yield BOTH
        end = yield from hold(BOTH, self.step.stall_s)
        self._fed = (began.time_s, end.time_s)
        yield from rest_off(self.step.rest_after_s)
        if changed:
            yield from restore_supply(ctx)
        if not (yield from ask_undone("free_lever", "Free the lever: pull the jig's pin.")):
            self._left = "The lever is still locked."

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return stall current (A) and resistance (ohm), if the unit responds at all."""
        found = Findings(half_turns=turns_of(ctx, trace), judged=False, left_behind=self._left)
        if self._fed is None:
            return found
        outcomes = {turn.outcome for turn in found.half_turns}
        if outcomes and outcomes <= {Outcome.NO_MOVEMENT}:
            # Nothing that the step's own repetition could bring: what it did not do is the finding.
            found.reasons.append(Reason(Verdict.RETEST, _NO_ANSWER, "stall_current_a"))
            return found
        found.measures.extend(stall_and_winding(trace.between(*self._fed), ctx.accuracy))
        if Outcome.STALLED not in outcomes:
            found.reasons.append(Reason(Verdict.RETEST, _NOT_STILL, "stall_current_a"))
        return found

    def guard_limits(self, limits: GuardLimits) -> GuardLimits:
        """Let the step's own stall time rule, with the guard just behind it."""
        return limits.for_step(stall_s=self.step.stall_s * 1.2)


_NO_ANSWER = (
    "No current flowed with the ignition made and the lever locked: the unit does not respond, so "
    "its stall current and its resistance were not measured. Find out first why it does not move; "
    "an isolation does that."
)
_NOT_STILL = (
    "The jam test did not see the unit standing still: the lever may not have been locked. Lock it "
    "and repeat the step."
)
