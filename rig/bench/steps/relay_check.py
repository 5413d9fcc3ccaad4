"""The unit's own relay: coil and times at the usual supply, then the voltages it answers to."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import numpy as np

from rig.analysis.model import Reason, Verdict
from rig.analysis.relay import Stretch, coil_ohm, drop_out_v, pull_in_v, times, trials
from rig.analysis.trace import Trace
from rig.bench.requests import BATTERY, BOTH, IGNITION, Drive, Feeds, Request, Sample
from rig.bench.steps.coil import coil_measures
from rig.bench.steps.moves import (
    SETTLE_S,
    Move,
    half_turn,
    hold,
    home,
    restore_supply,
    series,
    supply,
    turns_of,
)
from rig.bench.steps.work import Findings, PlainGuard, StepContext
from rig.plans import RelayCheckStep

# The voltage is read anew at least every 0.05 s (200 Hz, every tenth sample): long enough for it to
# be seen at rest.
REST_S = 0.25
# A relay operates within some 10 ms (TE V23234 data sheet: 7 ms typical) and motor current is known
# as such 20 ms later: generous.
ANSWER_S = 0.2
# A supply that was set down empties its capacitors through the coil (guess).
FALLS_S = 0.15

Look = Generator[Request, Any, tuple[bool, float]]


class RelayCheck(PlainGuard):
    """Half-turns, then trials at rising and at falling supply voltage."""

    def __init__(self, step: RelayCheckStep) -> None:
        self.step = step
        self._turned_s = float("inf")
        self._stretches: list[Stretch] = []
        self._tried = False
        self._programmable = True

    # --- feeding --------------------------------------------------------------------------

    def drive(self, ctx: StepContext) -> Drive:
        """Turn to and fro; find the pull-in voltage, park at run, find the drop-out voltage."""
        self._programmable = ctx.home_supply_v is not None
        works = yield from series(ctx, self.step.count, self.step.pause_s)
        sample = yield BATTERY
        self._turned_s = sample.time_s
        if not works or ctx.home_supply_v is None:
            return
        pulled_v = yield from self._pull_in(ctx, ctx.home_supply_v)
        parked = yield from half_turn(ctx, to_run=True, pause_s=self.step.pause_s)
        if parked:
            yield from self._drop_out(ctx, ctx.home_supply_v, pulled_v)
        yield from restore_supply(ctx)
        yield from home(ctx)
        self._tried = parked

    def _pull_in(self, ctx: StepContext, home_v: float) -> Generator[Request, Any, float]:
        """Raise the supply until the relay pulls in; return the voltage (V), the supply restored.

        The feeds are off while the supply is set, so that each trial is a fresh make.
        """
        for volts in (*self.step.pull_levels_v(), home_v):
            yield from supply(ctx, volts)
            began = yield BATTERY
            yield from hold(BATTERY, REST_S)
            answered, ended_s = yield from _look(ctx, BOTH)
            self._stretches.append(Stretch(True, volts, began.time_s, ended_s))
            if answered:
                break
        yield from restore_supply(ctx)
        yield from hold(BATTERY, SETTLE_S)
        return volts

    def _drop_out(self, ctx: StepContext, home_v: float, pulled_v: float) -> Move:
        """Lower the supply until the relay lets go, the ignition kept and the unit at run.

        The battery feed is off while the supply is set, and made for a look: a relay that has let
        go feeds the motor.
        """
        levels = self.step.drop_levels_v(min(pulled_v, self.step.pull_to_v))
        yield from hold(BOTH, REST_S)
        for volts in (home_v, *levels):
            yield from supply(ctx, volts, keep_ignition=True)
            yield from hold(IGNITION, FALLS_S)
            began = yield BOTH
            let_go, ended_s = yield from _look(ctx, BOTH, REST_S)
            self._stretches.append(Stretch(False, volts, began.time_s, ended_s))
            if let_go:
                return True
        return False

    # --- concluding -----------------------------------------------------------------------

    def find(self, ctx: StepContext, trace: Trace) -> Findings:
        """Return coil, times and, where the supply could be set, pull-in and drop-out voltage."""
        turned = trace.between(float("-inf"), self._turned_s)
        turns = turns_of(ctx, turned)
        step_s = float(np.median(np.diff(turned.time_s))) if len(turned) > 1 else 0.0
        found = Findings(measures=coil_measures(ctx, turned), half_turns=turns)
        found.measures.append(coil_ohm(turned, ctx.coil_accuracy, ctx.accuracy))
        answers = bool(self._tried) or not self._programmable  # else `_NOT_TRIED` tells of it
        answered = times(turns, ctx.accuracy, step_s)
        found.measures.extend(one for one in answered if answers or one.value is not None)
        found.lowest_v = min((s.set_v for s in self._stretches), default=None)
        if self._tried:
            self._voltages(ctx, trace, found)
        elif not self._programmable:
            found.reasons.append(Reason(Verdict.PASS, _NO_SUPPLY, "relay_check"))
        else:
            found.reasons.append(Reason(Verdict.RETEST, _NOT_TRIED, "relay_check"))
        return found

    def _voltages(self, ctx: StepContext, trace: Trace, found: Findings) -> None:
        seen = trials(trace, self._stretches, ctx.unit)
        ways = [s.pull_in for s in self._stretches]
        rising = [t for t, way in zip(seen, ways, strict=True) if way]
        falling = [t for t, way in zip(seen, ways, strict=True) if not way]
        if None in seen:
            found.reasons.append(Reason(Verdict.RETEST, _NOT_AS_SET, "relay_check"))
            return
        found.measures.append(pull_in_v(rising, ctx.accuracy))
        found.measures.append(drop_out_v(falling, ctx.accuracy))
        found.answers = {"levels_v": [s.set_v for s in self._stretches]}


_NO_SUPPLY = (
    "Not judged: the relay's pull-in and drop-out voltage, since the rig has no programmable "
    "supply (the plan allows it)."
)
_NOT_TRIED = (
    "The unit did not go to run and back as it should, so its relay's times and its pull-in and "
    "drop-out voltage were not all found. See to that first, then test again."
)
_NOT_AS_SET = (
    "The voltage at the unit was not what the supply was set to, so the relay's pull-in and "
    "drop-out voltage are not known. Check the supply, the fuse and the feed's joints, then test "
    "again."
)


def _look(ctx: StepContext, feeds: Feeds, for_s: float = ANSWER_S) -> Look:
    """Make ``feeds`` and watch for motor current; return whether it came, and the time (s).

    Ends as soon as it flows: no unit is left turning at a voltage that may not carry it round.
    """
    sample: Sample = yield feeds
    while (sample.battery_feed, sample.ignition_feed) != tuple(feeds):
        sample = yield feeds  # the contact follows its relay
    end_s = sample.time_s + for_s
    while sample.time_s < end_s and not ctx.motion.flowing:
        sample = yield feeds
    flows = ctx.motion.flowing
    if flows:
        sample = yield from hold(feeds, 0.03)
    return flows, sample.time_s
