"""The guided tests of an isolation (`rig.analysis.faults.guided`) as steps of the bench.

A unit that stalls or runs on is what is looked for here: it ends a test, not the session.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from rig.analysis.faults.at_hand import THINGS
from rig.analysis.faults.guided import TESTS, Test
from rig.analysis.measures import current_u_a
from rig.analysis.model import Accuracy, Measure, Reason, Verdict
from rig.analysis.outcomes import GONE_OF_NOMINAL
from rig.analysis.rest import rest_draw, zero_offset
from rig.analysis.stall import stall_and_winding
from rig.analysis.trace import Trace
from rig.bench.guard import GuardLimits
from rig.bench.requests import BATTERY, BOTH, IGNITION, Drive, Feeds, Sample
from rig.bench.steps.asked import Visual, question_of
from rig.bench.steps.errands import (
    CLEAR,
    CLIP_ON,
    CLOSE,
    DIRECT_S,
    FIT_GOOD,
    FIT_OWN,
    FREE,
    HANG,
    HOOK_UP,
    LOCK,
    LOCK_HERE,
    METER_ON_BATTERY,
    METER_ON_IGNITION,
    NOT_HOME,
    NOT_HOME_BARE,
    PUT_BACK,
    SUPPLY_S,
    TAKE_OFF,
    UNHOOK,
    Errand,
)
from rig.bench.steps.moves import (
    SETTLE_S,
    Move,
    half_turn,
    hold,
    home,
    rest_off,
    restore_supply,
    series,
    supply,
    survive,
    turns_of,
)
from rig.bench.steps.work import Findings, PlainGuard, SkippedStep, StepContext, StepWork
from rig.isolation.words import heading
from rig.plans import VisualStep
from rig.visual import TERMINAL_CHECKS

# Looks for which something is opened, pulled out or unhooked.
OPENING = frozenset(
    {"look_connector", "look_cable", "look_cable_moves", "look_coil", "look_cam", "look_water"}
)
# What every test with half-turns makes: two each way, with this rest after each (s).
TURNS, PAUSE_S = 4, 0.4
REST_S = 2.0  # how long the battery feed alone is made once it is home
RUN_OUT_S = 1.0  # a motor without a brake has come to rest by then (guess)
JAM_S, COOL_S = 0.15, 10.0  # a 10 A fuse holds 33 A that long (simulated)
AT_REST_S = 1.0  # of the rest at its end so much is taken for the draw
END_SAMPLES = 40  # the voltage is read with every tenth sample or oftener


@dataclass(frozen=True)
class GuidedStep:
    """A guided test as it is announced and recorded."""

    test: str
    label: str
    half_turns: int = 0
    length_s: float = 0.0
    kind: str = "guided"
    sets_supply: bool = True  # some do, and which is not worth telling apart here

    def expected_s(self, half_turn_s: float) -> float:
        """Return how long it feeds and waits, s."""
        return self.length_s + self.half_turns * (half_turn_s + PAUSE_S)


class Guided(StepWork, Protocol):
    """A guided test, ready to run; when it is over either of its properties tells what was seen."""

    @property
    def answer(self) -> str:
        """What somebody answered to a look; empty for a test that made a trace."""
        ...

    def of_test(self, trace: Trace) -> Trace:
        """Return the part of the step's trace in which the test itself was made."""
        ...


class Observed(PlainGuard):
    """A guided test that makes a trace; subclasses feed."""

    answer = ""

    def __init__(self, test: Test, *, judged: bool = False) -> None:
        self.test = test
        self._judged = judged
        self._left: list[str] = []
        self._owed: tuple[Errand, ...] = ()  # what is still to be undone at the jig, in order
        self._fed: tuple[float, float] | None = None

    def of_test(self, trace: Trace) -> Trace:
        """Return the trace from before the first feed of the test to after its last."""
        return trace

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return every half-turn; held against the limits only if they speak of this test."""
        turns = turns_of(ctx, self.of_test(trace))
        return self._found(half_turns=turns, judged=self._judged and bool(turns))

    def _found(self, **found: Any) -> Findings:
        """Return findings that tell what is left at the jig, also by a test that was cut short."""
        owed = [errand.left for errand in self._owed if errand.left]
        left = " ".join([*self._left, *owed])
        findings = Findings(left_behind=left, **found)
        if owed:
            text = f"{left} Put the jig right before anything else is done with it."
            findings.reasons.append(Reason(Verdict.RETEST, text, "run"))
        return findings

    def _undo(self) -> Move:
        """Have everything undone that is owed; what cannot be is left."""
        while self._owed:
            errand, *rest = self._owed
            if not (yield from errand.undo()):
                self._left.append(errand.left)
            self._owed = tuple(rest)
        return not self._left


class Turns(Observed):
    """Half-turns each way, between what is done at the jig before and undone after."""

    def __init__(
        self,
        test: Test,
        before: tuple[Errand, ...] = (),
        after: tuple[Errand, ...] = (),
        *,
        judged: bool = False,
    ) -> None:
        super().__init__(test, judged=judged)
        self._before, self._after = before, after

    def drive(self, ctx: StepContext) -> Drive:
        """Prepare, home, turn, undo."""
        for errand in self._before:
            yield from errand.do()
        self._owed = self._after
        changed = yield from supply(ctx, self.test.supply_v)
        yield from survive(series(ctx, TURNS, PAUSE_S))
        if changed:
            yield from restore_supply(ctx)
        yield from self._undo()


class AtRest(Observed):
    """The battery feed made for a while, and nothing else."""

    def drive(self, ctx: StepContext) -> Drive:
        """Make the battery feed, let it come home if it does, and look on."""
        yield from survive(self._rest(ctx))

    def _rest(self, ctx: StepContext) -> Move:
        yield from home(ctx)
        sample = yield from hold(BATTERY, REST_S)
        if ctx.motion.quiet_s(sample.time_s) > AT_REST_S:
            self._fed = (sample.time_s - AT_REST_S, sample.time_s)
        return True

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return what it draws at rest, if it rested."""
        found = super().find(ctx, trace)
        found.judged = False
        if self._fed is not None:
            found.measures.append(rest_draw(trace.between(*self._fed), ctx.accuracy, trace))
        return found


class Direct(Observed):
    """The motor on the rig's own leads, cable unhooked, for half a second; then all put back."""

    _over_s = float("inf")

    def __init__(self, test: Test, *, cable: bool = True) -> None:
        super().__init__(test)
        self._free = UNHOOK if cable else CLEAR
        self._hook_up: tuple[Errand, ...] = (HOOK_UP,) if cable else ()
        self._not_home = NOT_HOME if cable else NOT_HOME_BARE

    def drive(self, ctx: StepContext) -> Drive:
        """Unhook, clip the leads on, feed shortly, put the wiring back, let it park, hook up."""
        yield from self._free.do()
        self._owed = self._hook_up
        try:
            yield from CLIP_ON.do()
        except SkippedStep:  # a lead may be off all the same
            self._owed = (PUT_BACK, *self._hook_up)
            if (yield from self._undo()):
                raise
            return  # what is left behind must be told, which a step that was skipped cannot
        self._owed = (PUT_BACK, *self._hook_up)
        sample: Sample = yield from rest_off(SETTLE_S)
        yield from survive(self._fed_directly())
        turned = ctx.motion.has_flowed
        sample = yield from rest_off(RUN_OUT_S)
        self._over_s = sample.time_s
        if not (yield from PUT_BACK.undo()):  # the lever stands anywhere: no cable goes on
            self._left = [PUT_BACK.left, *(errand.left for errand in self._hook_up)]
            self._owed = ()
        elif turned:
            yield from self._hook_up_at_home(ctx)
        else:  # it never moved: the lever is where it was
            self._owed = self._hook_up
            yield from self._undo()

    def _hook_up_at_home(self, ctx: StepContext) -> Move:
        """Have the cable hooked up only once the unit has shown that its own wiring works it.

        It was left anywhere: its own cams bring it on to run, then home to stop.  A motor that is
        still on the rig's leads runs on instead.
        """
        self._owed = (replace(HOOK_UP, left=self._not_home),)
        at_home = yield from survive(_to_run_and_back(ctx))
        if at_home:
            self._owed = self._hook_up
            return (yield from self._undo())
        self._left.append(self._not_home)
        self._owed = ()
        return False

    @staticmethod
    def _fed_directly() -> Move:
        yield from hold(BATTERY, DIRECT_S)
        return True

    def of_test(self, trace: Trace) -> Trace:
        """Return the trace without the way home, which is the cam's and the relay's again."""
        return trace.between(float("-inf"), self._over_s)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return what the motor drew once it was at speed: it makes no half-turn here."""
        found = self._found(judged=False)
        found.measures.append(_drawn_directly(self.of_test(trace), ctx.accuracy))
        return found


def _to_run_and_back(ctx: StepContext) -> Move:
    """Bring it to run, then home to stop; True only if it was seen to come there."""
    yield from half_turn(ctx, to_run=True, pause_s=PAUSE_S)
    return (yield from half_turn(ctx, to_run=False, pause_s=PAUSE_S))


def feed_gone(trace: Trace, nominal_v: float) -> bool:
    """Tell whether a battery feed that was made carried no voltage at the end of it.

    That is the rig's fuse, supply or relay: the sensor sits before the unit's own leads.
    """
    last = np.flatnonzero(trace.battery_feed)[-END_SAMPLES:]
    volts = trace.voltage_v[last]
    volts = volts[np.isfinite(volts)]
    return len(volts) == END_SAMPLES and float(np.median(volts)) < GONE_OF_NOMINAL * nominal_v


def _drawn_directly(trace: Trace, accuracy: Accuracy) -> Measure:
    """Return the median current (A) over the later half of the time in which it was fed."""
    fed = np.flatnonzero(trace.battery_feed)
    late_a = trace.current_a[fed[len(fed) // 2 :]]
    late_a = late_a[np.isfinite(late_a)]
    if not len(late_a):
        return Measure("direct_feed_a", None, "A")
    drawn_a = float(np.median(late_a)) - (zero_offset(trace).value or 0.0)
    scatter_a = float(np.std(late_a)) / np.sqrt(len(late_a))
    return Measure("direct_feed_a", drawn_a, "A", current_u_a(drawn_a, accuracy, scatter_a))


class Jammed(Observed):
    """Lever locked, at stop if it comes there; ignition made for a moment."""

    _from_s = float("-inf")

    def drive(self, ctx: StepContext) -> Drive:
        """Have the lever locked, feed, let it cool, have it freed."""
        at_stop = yield from survive(_to_run_and_back(ctx))
        yield from (LOCK if at_stop else LOCK_HERE).do()
        self._owed = (FREE,)
        locked = yield from rest_off(SETTLE_S)
        self._from_s = locked.time_s - SETTLE_S
        yield from survive(self._held())
        yield from rest_off(COOL_S)
        yield from self._undo()

    def of_test(self, trace: Trace) -> Trace:
        """Return the trace without the way to stop."""
        return trace.between(self._from_s, float("inf"))

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return stall current (A) and winding resistance (ohm), if it stood still and drew."""
        found = super().find(ctx, trace)
        measures = stall_and_winding(self.of_test(trace), ctx.accuracy)
        found.measures.extend(measure for measure in measures if measure.value is not None)
        return found

    @staticmethod
    def _held() -> Move:
        yield from hold(BATTERY, SETTLE_S)
        yield from hold(BOTH, JAM_S)
        return True

    def guard_limits(self, limits: GuardLimits) -> GuardLimits:
        """Let the test's own time rule, with the guard just behind it."""
        return limits.for_step(stall_s=JAM_S * 1.2)


class TerminalLook(Observed):
    """What a meter in the unit shows while a feed is made; nobody's hands are there then."""

    def __init__(self, test: Test, check: str, feeds: Feeds, errand: Errand) -> None:
        super().__init__(test)
        self._check = TERMINAL_CHECKS[check]
        self._feeds = feeds
        self._errand = errand

    def drive(self, ctx: StepContext) -> Drive:
        """Have the meter clipped on, make the feed, ask what it showed."""
        yield from self._errand.do()
        self._owed = (self._errand,)
        yield from survive(self._made())
        self.answer = yield question_of(self._check)
        self._owed = ()  # the question asks to take it off before it is answered

    def _made(self) -> Move:
        yield from hold(self._feeds, SUPPLY_S)
        return True

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the answer; what it did meanwhile is no half-turn that was asked for."""
        return self._found(answers={self._check.name: self.answer}, judged=False)


class Look(Visual):
    """The visual checks of a look, asked one by one; the worst answer counts for all."""

    def __init__(self, test: Test) -> None:
        super().__init__(VisualStep(checks=test.checks))
        self._opens = test.name in OPENING
        self._left = ""

    def drive(self, ctx: StepContext) -> Drive:
        """Ask; then have put back what had to be opened or taken off to look."""
        yield from super().drive(ctx)
        if self._opens and not (yield from CLOSE.undo()):
            self._left = CLOSE.left

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the answers, and what is not back in its place."""
        found = super().find(ctx, trace)
        found.left_behind = self._left
        return found

    @property
    def answer(self) -> str:
        """The look's answer: the worst that any check shows, ok if every one is ok."""
        answers = set(self._answers.values())
        for worst in ("fault", "low"):
            if worst in answers:
                return worst
        return "ok" if answers == {"ok"} else "cannot"

    def of_test(self, trace: Trace) -> Trace:
        """Return ``trace``: nothing was fed in it."""
        return trace


def guided_work(name: str, at_hand: Collection[str] = tuple(THINGS)) -> tuple[GuidedStep, Guided]:
    """Return a guided test as a step to announce, and its work with what is on the jig."""
    test = TESTS[name]
    match name:
        case "rest":
            return _step(test, length_s=REST_S), AtRest(test)
        case "known_good_relay":
            return _step(test, TURNS), Turns(test, (FIT_GOOD,), (FIT_OWN,))
        case "unhooked":
            return _step(test, TURNS), Turns(test, (UNHOOK,), (HOOK_UP,))
        case "loaded":
            return _step(test, TURNS), Turns(test, (HANG,), (TAKE_OFF,))
        case "direct":
            return _step(test, length_s=DIRECT_S + RUN_OUT_S), Direct(
                test, cable="cable" in at_hand
            )
        case "jam":
            return _step(test, length_s=SETTLE_S + JAM_S + COOL_S), Jammed(test)
        case "look_battery_feed":
            look = TerminalLook(test, "battery_at_terminal", BATTERY, METER_ON_BATTERY)
            return _step(test, length_s=SUPPLY_S), look
        case "look_ignition_feed":
            look = TerminalLook(test, "ignition_at_terminal", IGNITION, METER_ON_IGNITION)
            return _step(test, length_s=SUPPLY_S), look
    if test.is_look:
        return _step(test), Look(test)
    # The unit as it is: the plan's limits speak of it on the run's own supply only.
    return _step(test, TURNS), Turns(test, judged=test.supply_v is None)


def _step(test: Test, half_turns: int = 0, length_s: float = 0.0) -> GuidedStep:
    return GuidedStep(test.name, heading(test.name), half_turns, length_s)
