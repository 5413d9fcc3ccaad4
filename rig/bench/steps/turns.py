"""Steps made of plain half-turns: half_turns, loaded, park_check, endurance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rig.analysis.model import HalfTurn, Outcome, Reason, Verdict
from rig.analysis.rest import rest_draw
from rig.analysis.soundness import AtRest, at_rest, rig_trouble
from rig.analysis.trace import Trace
from rig.bench.requests import BATTERY, BOTH, Drive, Feeds
from rig.bench.steps.coil import coil_measures
from rig.bench.steps.moves import (
    SETTLE_S,
    ask_done,
    ask_undone,
    half_turn,
    hold,
    home,
    rest_off,
    restore_supply,
    series,
    supply,
    turns_of,
)
from rig.bench.steps.work import Findings, PlainGuard, StepContext
from rig.plans import EnduranceStep, HalfTurnsStep, LoadedStep, ParkCheckStep

# Between two cycles the feeds are off for so long (s): enough to see the sensor's zero.
OFF_S = 0.10
# A unit counts as parked after 0.1 s at rest (`motion`): so much of it is seen before a half-turn.
REST_SEEN_S = 0.08


class HalfTurns(PlainGuard):
    """Half-turns to and fro at one supply voltage."""

    def __init__(self, step: HalfTurnsStep) -> None:
        self.step = step

    def drive(self, ctx: StepContext) -> Drive:
        """Set the supply, turn ``count`` times, restore the supply."""
        changed = yield from supply(ctx, self.step.supply_v)
        yield from series(ctx, self.step.count, self.step.pause_s)
        if changed:
            yield from restore_supply(ctx)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return every half-turn, judged, and the coil's current."""
        return Findings(measures=coil_measures(ctx, trace), half_turns=turns_of(ctx, trace))


class Loaded(PlainGuard):
    """Half-turns against a load that somebody hangs on the lever."""

    def __init__(self, step: LoadedStep) -> None:
        self.step = step
        self._left = ""

    def drive(self, ctx: StepContext) -> Drive:
        """Have the load hung, turn, have it taken off."""
        load_nm = self.step.load_nm
        yield from ask_done(
            "hang_load",
            f"Hang the load of {load_nm:g} N m on the lever and keep hands clear of it.",
            newton_metre=load_nm,
        )
        changed = yield from supply(ctx, self.step.supply_v)
        yield from series(ctx, self.step.count, self.step.pause_s)
        if changed:
            yield from restore_supply(ctx)
        if not (yield from ask_undone("remove_load", "Take the load off the lever.")):
            self._left = "The load is still on the lever."

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return every loaded half-turn, judged."""
        return Findings(
            half_turns=turns_of(ctx, trace),
            answers={"load_nm": self.step.load_nm},
            left_behind=self._left,
        )


class ParkCheck(PlainGuard):
    """Parks at both ends, rests there, and must stay parked when the battery feed is re-made."""

    def __init__(self, step: ParkCheckStep) -> None:
        self.step = step
        self._ends: list[_End] = []

    def drive(self, ctx: StepContext) -> Drive:
        """At each end: park, rest, battery off and on, rest again."""
        changed = yield from supply(ctx, self.step.supply_v)
        began = yield from home(ctx)
        for to_run in (True, False):
            feeds = BOTH if to_run else BATTERY
            has_parked = yield from half_turn(ctx, to_run=to_run, pause_s=0.5)
            parked = yield feeds
            rested = yield from hold(feeds, self.step.duration_s)
            yield from rest_off(0.3)
            # The unit's relay first, or the other cam track would nudge the motor for a moment.
            yield from hold(Feeds(False, to_run), 0.1)
            remade = yield from hold(feeds, SETTLE_S)
            switch, other = rested.at_run, rested.at_stop
            if not to_run:
                switch, other = other, switch
            name = "run" if to_run else "stop"
            self._ends.append(
                _End(
                    name,
                    began.time_s - REST_SEEN_S,
                    parked.time_s,
                    rested.time_s,
                    remade.time_s,
                    switch,
                    other,
                    has_parked,
                )
            )
            began = remade
        if changed:
            yield from restore_supply(ctx)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the half-turns, the rest draw at each end, and what the switches said."""
        found = Findings()
        answers: dict[str, bool | None] = {}
        done_s = float("-inf")
        turns: list[HalfTurn] = []
        for end in self._ends:
            turns.extend(turns_of(ctx, trace.between(end.began_s, end.rested_s), trace))
            found.measures.append(
                rest_draw(trace.between(end.parked_s, end.rested_s), ctx.accuracy, trace)
            )
            answers[f"switch_at_{end.name}"] = end.switch
            found.reasons.extend(self._end_reasons(ctx, trace, end))
            done_s = end.remade_s
        # What was cut short before its end was noted still counts.
        turns.extend(turns_of(ctx, trace.between(done_s, float("inf")), trace))
        found.half_turns = tuple(turns)
        found.answers = answers
        return found

    @staticmethod
    def _end_reasons(ctx: StepContext, trace: Trace, end: _End) -> Iterator[Reason]:
        if end.parked:
            yield from _position(end, trace)
        remade = turns_of(ctx, trace.between(end.rested_s, end.remade_s), trace)
        if any(turn.outcome in _NOT_SEEN for turn in remade):
            yield Reason(
                Verdict.RETEST,
                f"Whether the unit stays parked at {end.name} when its battery feed is made again "
                "was not seen: the feed or the sensor failed. Test again.",
                "stays_parked",
            )
        if any(turn.outcome not in _AT_REST for turn in remade):
            yield Reason(
                Verdict.FAIL,
                f"Parked at {end.name}, the unit drew motor current when its battery feed was "
                "made again: it does not stay parked.",
                "stays_parked",
            )


@dataclass(frozen=True, slots=True)
class _End:
    """When one end of the park check happened, s on the bench clock."""

    name: str
    began_s: float
    parked_s: float
    rested_s: float
    remade_s: float
    switch: bool | None
    other: bool | None
    parked: bool


def _position(end: _End, trace: Trace) -> Iterator[Reason]:
    """Judge where the unit parked, by switches that may be at fault themselves."""
    far = "stop" if end.name == "run" else "run"
    if end.other:
        at = f"both end switches of the jig are actuated with the unit parked at {end.name}"
        if end.switch is False:
            at = f"the jig's switch at {far} is actuated with the unit parked at {end.name}"
        text = (
            f"{at[0].upper()}{at[1:]}: a switch, its wire or its place is at fault, so where the "
            "unit parks was not checked. Press both switches by hand in the rig's self-check, then "
            "test again."
        )
        yield Reason(Verdict.RETEST, text, "park_position")
    elif end.switch is False and _works(trace, end):
        text = (
            f"The unit parked, but the jig's switch at {end.name}, which works, is not reached: it "
            f"parks away from its {end.name} end, or the jig switch is out of place."
        )
        yield Reason(Verdict.FAIL, text, "park_position")
    elif end.switch is False:
        text = (
            f"The unit parked, but the jig's switch at {end.name} is not reached. Whether the "
            "switch still works was not seen. Press it by hand in the rig's self-check: if it "
            f"works there, the unit parks away from its {end.name} end."
        )
        yield Reason(Verdict.RETEST, text, "park_position")


def _works(trace: Trace, end: _End) -> bool:
    """Whether the end's switch was seen to work before and after: it may die in between."""
    states = trace.extra.get(f"at_{end.name}")
    if states is None:
        return False
    at_s = trace.time_s[states == 1.0]
    return bool(np.any(at_s < end.parked_s) and np.any(at_s > end.rested_s))


# Outcomes of a parked unit whose battery feed is made again.
_NOT_SEEN = frozenset({Outcome.NO_FEED, Outcome.NOT_MEASURED})
_AT_REST = frozenset({Outcome.NO_MOVEMENT}) | _NOT_SEEN


class Endurance(PlainGuard):
    """Many cycles (to run and back) within a duty limit; every n-th cycle's trace is kept."""

    def __init__(self, step: EnduranceStep) -> None:
        self.step = step
        self._turns: list[HalfTurn] = []
        self._unsound = ""
        self._at_rest: AtRest | None = None
        self._done = 0

    def drive(self, ctx: StepContext) -> Drive:
        """Turn to run and back, rest long enough for the duty limit, again and again."""
        changed = yield from supply(ctx, self.step.supply_v)
        for number in range(1, self.step.cycles + 1):
            began = yield BATTERY
            yield from home(ctx)
            for to_run in (True, False):
                yield from half_turn(ctx, to_run=to_run, pause_s=self.step.pause_s)
            yield from rest_off(OFF_S)  # nothing is fed while the cycle is analysed
            # This cycle alone: all that is kept would take longer to look at each time.
            trace = ctx.recorder.trace(began.time_s)
            self._look_at_rig(ctx, trace)
            turns = turns_of(ctx, trace)
            self._turns.extend(turns)
            self._done = number
            on_s = sum((t.end_s or t.start_s) - t.start_s for t in turns)
            odd = any(t.outcome is not Outcome.PARKED for t in turns)
            if not odd and (number - 1) % self.step.record_every:
                ctx.recorder.drop_since(began.time_s)
            rest_s = on_s / self.step.duty_max - (trace.time_s[-1] - began.time_s)
            if rest_s > 0:
                # Rest unrecorded: an hour of nothing at 1 kHz is worth no disk.
                rest_from_s = float(trace.time_s[-1])
                yield from hold(BATTERY, rest_s)
                ctx.recorder.drop_since(rest_from_s)
        if changed:
            yield from restore_supply(ctx)

    def _look_at_rig(self, ctx: StepContext, trace: Trace) -> None:
        trouble = rig_trouble(trace, ctx.unit, ctx.voltage_every, self._at_rest)
        self._unsound = self._unsound or trouble
        if self._at_rest is None:
            self._at_rest = at_rest(trace)

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return the half-turns of every finished cycle and of the one cut short."""
        last_s = max((t.start_s for t in self._turns), default=float("-inf"))
        rest = [t for t in turns_of(ctx, trace) if t.start_s > last_s + 0.05]
        return Findings(
            half_turns=(*self._turns, *rest),
            answers={"cycles_done": self._done, "cycles_asked": self.step.cycles},
            unsound=self._unsound,
        )
