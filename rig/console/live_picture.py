"""What Live and By hand draw of the job that is on: the chart, the dial, the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isfinite, nan

import numpy as np

from rig.analysis.lever import Lever
from rig.analysis.lever_samples import End
from rig.analysis.trace import CLIPPED
from rig.console.desk import Desk
from rig.console.drawing.series import LimitLine, Series, Window
from rig.console.live_turns import LEAD_S, LONGEST_S, Turn, TurnFollower, thinned
from rig.plans import Plan

# Without a half-turn on, so much of the past is shown (s).
ROLLING_S = 8.0
# Right of the longest half-turn allowed there is some room; a longer one gets half as much again.
ROOM, STRIDE_S, STRETCH = 1.2, 0.25, 1.5
# A number is the mean of this much, so that it can be read (s).
READ_S = 0.1
# Standing still for so long is a stall; an inrush stands for some hundredths of a second (s).
STALLED_S = 0.12
# The bench gives a unit up as one without movement after this (s).
NO_MOVEMENT_S = 0.8
FED_V = 3.0  # more than a disconnected lead picks up, less than any supply


@dataclass(frozen=True, slots=True)
class ChartData:
    """What a trace view is to show."""

    series: list[Series]
    limits: list[LimitLine]
    window: Window


@dataclass(frozen=True, slots=True)
class Numbers:
    """Current (A), voltage (V) and this half-turn's time (s)."""

    current_a: float = nan
    voltage_v: float = nan
    half_turn_s: float | None = None


class LivePicture:
    """Follows the desk's job, whichever it is; `follow` is called before anything is asked."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._tail = desk.tail
        self._job: object = None
        self._plan: Plan | None = None
        self._follower: TurnFollower | None = None

    @property
    def lever(self) -> Lever:
        """Where the lever is thought to be."""
        return self._follower.lever if self._follower else Lever()

    @property
    def last_parked(self) -> End | None:
        """The end at which it parked last, None before the first park."""
        return self._follower.last_parked if self._follower else None

    @property
    def turn(self) -> Turn | None:
        """The last feed change that may have turned the unit, None before the first."""
        return self._follower.turn if self._follower else None

    def follow(self) -> None:
        """Take in what is new at the desk."""
        job = self._desk.live.job
        if job is not self._job:
            self._job, self._plan = job, getattr(job, "plan", None)
            self._follower = None
            if self._plan is not None:
                self._follower = TurnFollower(self._plan.unit_type())
        if self._follower is not None:
            self._follower.take(self._tail)

    # --- numbers --------------------------------------------------------------------------------

    def numbers(self) -> Numbers:
        """Return the numbers of now."""
        tail, turn = self._tail, self.turn
        if not len(tail):
            return Numbers()
        since_s = tail.last("time_s") - READ_S
        return Numbers(
            _mean(tail.column("current_a", since_s)),
            _mean(tail.column("voltage_v", since_s)),
            None if turn is None else turn.driven_s,
        )

    @property
    def longest_s(self) -> float | None:
        """The longest half-turn that the plan allows at the present voltage, s."""
        return (
            None if self._plan is None else self._plan.limits.half_turn_max_s.at(self._supply_v())
        )

    def _supply_v(self) -> float:
        """Return the voltage (V) that feeds the present half-turn, or fed the last."""
        assert self._plan is not None
        turn = self.turn
        if turn is not None:
            voltage_v = self._tail.column("voltage_v", turn.start_s)
            fed_v = voltage_v[voltage_v > FED_V]
            if len(fed_v):
                return float(np.median(fed_v))
        return self._plan.unit.nominal_v

    # --- the chart ------------------------------------------------------------------------------

    def shows_turn(self, now_s: float) -> bool:
        """Tell whether the chart is of a half-turn, and not of the last seconds."""
        turn = self.turn
        if turn is None or turn.ended_s is not None or now_s - turn.start_s > LONGEST_S:
            return False
        return turn.by_ignition or turn.flowed_until_s is not None

    def chart(self, *, rolling: bool = False) -> ChartData:
        """Return the present half-turn with those before, or else (always if ``rolling``) the last
        seconds.
        """
        now_s = self._tail.last("time_s") if len(self._tail) else 0.0
        turn = self.turn
        if turn is not None and not rolling and self.shows_turn(now_s):
            return self._turn_chart(turn, now_s)
        return self._rolling_chart(now_s)

    def _turn_chart(self, turn: Turn, now_s: float) -> ChartData:
        assert self._follower is not None
        before = [
            Series(one.time_s, one.value, "before", f"before, {_way(turn)}")
            for one in self._follower.earlier(turn.to_run)
        ]
        series = self._series(turn.start_s - LEAD_S, turn.start_s, f"this one, {_way(turn)}")
        longest_s = self.longest_s or 1.0
        needed_s = self._needed_s(turn, now_s)
        # In whole strides, so that the picture neither creeps nor shakes with the voltage.
        span_s = ceil(longest_s * ROOM / STRIDE_S) * STRIDE_S
        while span_s < needed_s:
            span_s *= STRETCH
        return ChartData([*before, *series], self._limits(longest_s), Window(-LEAD_S, span_s))

    @staticmethod
    def _needed_s(turn: Turn, now_s: float) -> float:
        return turn.driven_s if turn.driven_s is not None else now_s - turn.start_s

    def _rolling_chart(self, now_s: float) -> ChartData:
        series = self._series(now_s - ROLLING_S, now_s, f"last {ROLLING_S:g} s")
        return ChartData(series, self._limits(None), Window(-ROLLING_S, 0.0))

    def _series(self, since_s: float, zero_s: float, label: str) -> list[Series]:
        tail = self._tail
        time_s = tail.column("time_s", since_s) - zero_s
        current_a, voltage_v = tail.column("current_a", since_s), tail.column("voltage_v", since_s)
        clipped = (tail.column("flags", since_s).astype(np.uint8) & CLIPPED).astype(np.bool_)
        if not clipped.any():
            # Fewer points draw the same picture sooner.
            amps, volts = thinned(time_s, current_a), thinned(time_s, voltage_v)
            return [
                Series(amps.time_s, amps.value, "now", label),
                Series(volts.time_s, volts.value, "now", "voltage", "voltage"),
            ]
        return [
            Series(time_s, current_a, "now", label, clipped=clipped),
            Series(time_s, voltage_v, "now", "voltage", "voltage"),
        ]

    def _limits(self, longest_s: float | None) -> list[LimitLine]:
        if self._plan is None:
            return []
        limits, guard = self._plan.limits, self._plan.guard
        lines = []
        if longest_s is not None:
            lines.append(LimitLine(longest_s, "time", f"longest {longest_s:.2f} s"))
        if limits.run_max_a is not None:
            lines.append(LimitLine(limits.run_max_a, "current", f"running {limits.run_max_a:g} A"))
        if limits.peak_max_a is not None:
            lines.append(LimitLine(limits.peak_max_a, "current", f"inrush {limits.peak_max_a:g} A"))
        guard_a = guard.over_current_a
        lines.append(LimitLine(guard_a, "current", f"guard {guard_a:g} A"))
        return lines

    # --- the dial -------------------------------------------------------------------------------

    def dial_state(self) -> str:
        """Return what the lever does, in the dial's words."""
        lever, turn = self.lever, self.turn
        if lever.turning:
            if lever.still_s > STALLED_S:
                return "stalled"
            return "runs on" if lever.past_park else "turning"
        if self._no_movement(turn):
            return "no movement"
        if lever.parked is not None:
            return "parked" if lever.sure else f"{lever.parked}, assumed"
        if lever.angle_deg is None:
            return ""
        return "stops short" if lever.short else "left here"

    def _no_movement(self, turn: Turn | None) -> bool:
        if turn is None or not turn.by_ignition or turn.flowed_until_s is not None:
            return False
        end_s = self._tail.last("time_s") if turn.ended_s is None else turn.ended_s
        return end_s - turn.start_s > NO_MOVEMENT_S


def _way(turn: Turn) -> str:
    return "to run" if turn.to_run else "to stop"


def _mean(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    good = values[np.isfinite(values)]
    mean = float(good.mean()) if len(good) else nan
    return mean if isfinite(mean) else nan
