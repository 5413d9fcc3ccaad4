"""The moves steps are made of: hold, home, one half-turn, a series of half-turns."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from typing import Any

from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import HalfTurn
from rig.analysis.rest import zero_moved, zero_offset
from rig.analysis.trace import Trace
from rig.bench.errors import Tripped
from rig.bench.requests import (
    BATTERY,
    BOTH,
    OFF,
    Ask,
    Feeds,
    HalfTurnNews,
    Request,
    Sample,
    SetSupply,
)
from rig.bench.steps.work import SkippedStep, StepContext

# A relay has changed over and a motor has drawn current long before this (s): guess, generous.
NO_MOVEMENT_S = 0.8
# Long enough for a rest level before the first edge, short enough not to be noticed (s).
SETTLE_S = 0.4
REST_MIN_S = 0.3  # the analysis wants a settled rest current after each park

Move = Generator[Request, Any, bool]
Wait = Generator[Request, Any, Sample]


def hold(feeds: Feeds, duration_s: float) -> Wait:
    """Hold ``feeds`` for ``duration_s``; return the last sample."""
    sample: Sample = yield feeds
    end_s = sample.time_s + duration_s
    while sample.time_s < end_s:
        sample = yield feeds
    return sample


def home(ctx: StepContext) -> Wait:
    """Feed the battery with the ignition broken and wait until the unit rests at stop."""
    sample = yield from hold(BATTERY, SETTLE_S)
    while ctx.motion.flowing or (ctx.motion.has_flowed and not ctx.motion.parked(sample.time_s)):
        sample = yield BATTERY  # the guard ends this if the unit runs on or is jammed
    return sample


def half_turn(ctx: StepContext, *, to_run: bool, pause_s: float) -> Move:
    """Make or break the ignition, wait for the unit to park, then rest for ``pause_s``.

    Returns whether it parked.  A unit that does not move is given up after `NO_MOVEMENT_S`.
    """
    feeds = BOTH if to_run else BATTERY
    sample: Sample = yield feeds
    while sample.ignition_feed != to_run:
        sample = yield feeds  # the contact follows its relay; until then `motion` is of the last
    start_s = sample.time_s
    motion = ctx.motion
    while not motion.parked(sample.time_s):
        if not motion.has_flowed and sample.time_s - start_s > NO_MOVEMENT_S:
            break
        sample = yield feeds
    # A cable that helps can leave the motor without current for a while before it parks: no feed
    # is changed before the plan's own time for a half-turn is over, nor while current flows.
    limit_s = ctx.limits.half_turn_max_s.at(sample.voltage_v) + REST_MIN_S
    rest_s = max(pause_s, REST_MIN_S, start_s + limit_s - sample.time_s)
    sample = yield from hold(feeds, rest_s)
    while motion.flowing:
        sample = yield from hold(feeds, rest_s)
    parked = motion.parked(sample.time_s)
    yield HalfTurnNews(to_run, parked, sample.time_s - start_s - motion.quiet_s(sample.time_s))
    return parked


def series(ctx: StepContext, count: int, pause_s: float) -> Move:
    """Home, then ``count`` half-turns to and fro, ending at stop; True if all parked."""
    yield from home(ctx)
    all_parked = True
    for k in range(count + count % 2):
        parked = yield from half_turn(ctx, to_run=k % 2 == 0, pause_s=pause_s)
        all_parked = all_parked and parked
    return all_parked


def survive(move: Move) -> Move:
    """Run ``move``; a stall or a run-on ends it with False instead of the run."""
    try:
        return (yield from move)
    except Tripped:  # the loop throws in only what may be survived
        return False


def supply(
    ctx: StepContext,
    voltage_v: float | None,
    limit_a: float | None = None,
    *,
    keep_ignition: bool = False,
) -> Move:
    """Set the bench supply if there is one and a value is asked for; True if it was set.

    Both feeds are off meanwhile, or only the battery feed if ``keep_ignition``.
    """
    if (voltage_v is None and limit_a is None) or ctx.home_supply_v is None:
        return False
    yield SetSupply(voltage_v, limit_a, keep_ignition)
    return True


def restore_supply(ctx: StepContext) -> Move:
    """Return the supply to the run's own voltage and limit."""
    if ctx.home_supply_v is None:
        return False
    yield SetSupply(ctx.home_supply_v, ctx.home_limit_a)
    return True


def ask_done(action: str, text: str, **detail: Any) -> Move:
    """Have somebody do something at the jig; raises SkippedStep if they cannot."""
    answer = yield Ask(action, text, ("done", "cannot"), detail)
    if answer == "cannot":
        what = text.partition(". ")[0].rstrip(".")
        raise SkippedStep(f"the operator could not: {what}")
    return True


def ask_undone(action: str, text: str) -> Move:
    """Have what `ask_done` had done put back; False if that cannot be done.

    What was measured before stands; no other step may meet what is left.
    """
    answer = yield Ask(action, text, ("done", "cannot"))
    return bool(answer != "cannot")


def rest_off(duration_s: float) -> Wait:
    """Both feeds off for ``duration_s``."""
    return hold(OFF, duration_s)


def turns_of(ctx: StepContext, trace: Trace, whole: Trace | None = None) -> tuple[HalfTurn, ...]:
    """Return the half-turns in a step's trace, or in a part of it.

    A part need not show the sensor's zero: then the ``whole`` trace does.
    """
    accuracy = ctx.accuracy
    if whole is not None:
        accuracy = replace(accuracy, zero_moved_a=zero_moved(whole))
        zero_a = zero_offset(whole).value
        if zero_a is not None:
            trace = replace(trace, current_a=trace.current_a - zero_a)
    return find_half_turns(trace, ctx.unit, ctx.limits, accuracy)
