"""Where on the trace a half-turn went wrong: from its outcome and measures, for a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis.backemf import without_spikes
from rig.analysis.measures import SETTLE_S
from rig.analysis.model import HalfTurn, Limits, Outcome, Reason, Verdict
from rig.analysis.trace import CLIPPED, Trace

# A unit that stands still draws this part of its stall current at least; what it drew before, on
# the move, was less (guess: a drive that is nearly stopped is as good as stopped to the eye).
STALL_PART = 0.85
# Below this part of the running current it has dropped out (guess: half way is sure).
DROPPED_PART = 0.5
# Below this part of the highest voltage the feed is gone.
GONE_PART = 0.5
# Seen before and after a half-turn (s): its edges need some air.
LEAD_S, TAIL_S = 0.1, 0.25


@dataclass(frozen=True, slots=True)
class Spot:
    """A moment on the trace's axis (s) and a few words on what is wrong there."""

    time_s: float
    text: str


def limit_moment_s(turn: HalfTurn, limits: Limits) -> float:
    """Return when on the trace's axis (s) the half-turn should have parked."""
    limit = limits.half_turn_max_s
    supply_v = turn.supply_v
    # Without a voltage the limit that follows it is not known: the latest of them is no lie.
    most_s = max(s for _, s in limit.points) if supply_v is None else limit.at(supply_v)
    return turn.start_s + most_s


def stretch(turn: HalfTurn, limits: Limits | None, trace: Trace) -> tuple[float, float]:
    """Return from when to when (s) a picture of the half-turn should reach, any limit included."""
    end_s = turn.end_s if turn.end_s is not None else _driven_to_s(turn, trace)
    last_s = end_s + TAIL_S
    if limits is not None:
        last_s = max(last_s, limit_moment_s(turn, limits) + LEAD_S)
    return turn.start_s - LEAD_S, last_s


def spots(reason: Reason, turn: HalfTurn, limits: Limits, trace: Trace) -> tuple[Spot, ...]:
    """Return where ``turn`` went wrong by ``reason``; empty if the reason speaks for it."""
    if reason.verdict is Verdict.PASS:
        return ()
    part = trace.between(*stretch(turn, limits, trace))
    if reason.measure == "outcome" or (
        reason.measure == "half_turn_s" and turn.half_turn_s is None
    ):
        found = _by_outcome(turn, limits, part)
    else:
        found = _by_measure(reason, turn, part)
    cut = _cut_by_rig(turn, part)
    return tuple(spot for spot in (found, cut) if spot is not None and math.isfinite(spot.time_s))


def _by_outcome(turn: HalfTurn, limits: Limits, part: Trace) -> Spot | None:
    match turn.outcome:
        case Outcome.STALLED:
            return Spot(_stood_still_from_s(turn, part), "stands still")
        case Outcome.RUNS_ON | Outcome.SLOW:
            return Spot(limit_moment_s(turn, limits), "not parked")
        case Outcome.STOPS_SHORT:
            at = "" if turn.turned_deg is None else f" at {turn.turned_deg:.0f} deg"
            return Spot(_end_s(turn, part), f"cut off{at}")
        case Outcome.NO_MOVEMENT:
            return Spot(turn.start_s, "fed, no current")
        case Outcome.NO_FEED:
            return Spot(_voltage_gone_s(turn, part), "no voltage")
        case Outcome.NOT_MEASURED:
            return _unseen(turn, part)
        case _:
            return None


def _by_measure(reason: Reason, turn: HalfTurn, part: Trace) -> Spot | None:
    end_s = _end_s(turn, part)
    match reason.measure:
        case "half_turn_s":
            late = reason.verdict is Verdict.FAIL
            return Spot(end_s, "parked too late" if late else "parked")
        case "half_turn_min_s":
            return Spot(end_s, "parked too soon")
        case "turned_deg":
            return Spot(end_s, f"parked at {turn.turned_deg or 0.0:.0f} deg")
        case "rest_a":
            return Spot(_rest_from_s(turn), "draws at rest")
        case "run_a":
            return Spot(turn.start_s + 0.6 * (end_s - turn.start_s), "running")
        case "peak_a":
            return _highest(turn, end_s, part)
        case "sag_v":
            return _lowest_voltage(turn, end_s, part)
        case "response_s":
            return Spot(turn.start_s + (turn.response_s or 0.0), "first current")
        case "dropouts" | "longest_dropout_s":
            return _dropout(turn, end_s, part)
        case _:
            return None


def _end_s(turn: HalfTurn, part: Trace) -> float:
    return turn.end_s if turn.end_s is not None else _driven_to_s(turn, part)


def _driven_to_s(turn: HalfTurn, trace: Trace) -> float:
    """Return when the feed was taken away after the half-turn began, or the trace ended (s)."""
    if not len(trace):
        return turn.start_s
    after = trace.between(turn.start_s, math.inf)
    if not len(after):
        return float(trace.time_s[-1])
    # The ignition's own edge begins the half-turn; its next change, or the battery feed's, ends it.
    fed = after.battery_feed & (after.ignition_feed == after.ignition_feed[0])
    gone = np.flatnonzero(~fed)
    return float(after.time_s[gone[0] if len(gone) else -1])


def _stood_still_from_s(turn: HalfTurn, part: Trace) -> float:
    """Return when the current reached what it stayed at to the end (s)."""
    driven = part.between(turn.start_s, _driven_to_s(turn, part))
    amps = driven.current_a
    if not np.isfinite(amps).any():
        return turn.start_s
    level_a = float(np.nanmedian(amps[-max(len(amps) // 10, 1) :]))
    moving = np.flatnonzero(~(amps >= STALL_PART * level_a))
    at = int(moving[-1]) + 1 if len(moving) else 0
    return float(driven.time_s[min(at, len(driven) - 1)])


def _rest_from_s(turn: HalfTurn) -> float:
    return turn.start_s + LEAD_S if turn.end_s is None else turn.end_s + SETTLE_S


def _voltage_gone_s(turn: HalfTurn, part: Trace) -> float:
    after = part.between(turn.start_s, math.inf)
    volts = after.voltage_v
    if not np.isfinite(part.voltage_v).any():
        return turn.start_s
    gone = np.flatnonzero(volts < GONE_PART * float(np.nanmax(part.voltage_v)))
    return float(after.time_s[gone[0]]) if len(gone) else turn.start_s


def _unseen(turn: HalfTurn, part: Trace) -> Spot:
    lost = np.flatnonzero(~np.isfinite(part.current_a))
    if len(lost):
        return Spot(float(part.time_s[lost[0]]), "no reading")
    if part.flags is not None:
        clipped = np.flatnonzero(part.flags & CLIPPED)
        if len(clipped):
            return Spot(float(part.time_s[clipped[0]]), "beyond the sensor")
    return Spot(turn.start_s, "not measured")


def _highest(turn: HalfTurn, end_s: float, part: Trace) -> Spot | None:
    driven = part.between(turn.start_s, end_s)
    seen = np.flatnonzero(np.isfinite(driven.current_a))
    if not len(seen):
        return None
    at = seen[int(without_spikes(driven.current_a[seen]).argmax())]
    return Spot(float(driven.time_s[at]), "peak")


def _lowest_voltage(turn: HalfTurn, end_s: float, part: Trace) -> Spot | None:
    driven = part.between(turn.start_s, end_s)
    if not np.isfinite(driven.voltage_v).any():
        return None
    return Spot(float(driven.time_s[int(np.nanargmin(driven.voltage_v))]), "voltage lowest")


def _dropout(turn: HalfTurn, end_s: float, part: Trace) -> Spot | None:
    """The longest time without current while it turned."""
    driven = part.between(turn.start_s + (turn.response_s or 0.0), end_s)
    amps = driven.current_a
    if not np.isfinite(amps).any():
        return None
    usual_a = turn.run_a if turn.run_a is not None else float(np.nanmedian(amps))
    low = np.concatenate(([False], amps < DROPPED_PART * usual_a, [False]))
    starts, ends = np.flatnonzero(np.diff(low.astype(np.int8))).reshape(-1, 2).T
    inner = ends < len(driven)  # the last fall is the cut-off itself
    starts, ends = starts[inner], ends[inner]
    if not len(starts):
        return None
    lasts_s = driven.time_s[ends] - driven.time_s[starts]
    return Spot(float(driven.time_s[starts[int(lasts_s.argmax())]]), "current lost")


def _cut_by_rig(turn: HalfTurn, part: Trace) -> Spot | None:
    return Spot(_driven_to_s(turn, part), "feed taken away") if turn.cut_by_rig else None
