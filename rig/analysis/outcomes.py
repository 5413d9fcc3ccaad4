"""What one half-turn did: the rules, in the order in which they are asked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from rig.analysis.angles import Angle
from rig.analysis.edges import Cause
from rig.analysis.evidence import Evidence
from rig.analysis.model import Direction, Limits, Outcome, UnitType

# The voltage is "not there" below this part of nominal ...
GONE_OF_NOMINAL = 0.4
# ... unless a supply that limits its current holds it down while the unit is jammed: then there is
# some voltage, and more current than a free motor would need (parts of nominal and of stall).
HELD_DOWN_V, HELD_DOWN_A = 0.15, 0.25
# Fed for less than this (s), a unit whose current has not begun proves nothing: its relay needs
# up to 15 ms, a slow sensor as long again.
FED_ENOUGH_S = 0.1
# A trace that begins with the feed change shows the unit's answer within this (s).
ANSWER_S = 0.04
# A half-turn is cut short below these parts of a full one: of the trace's own, of the plan's
# nominal value, and of that if besides the unit did not start again from where it stopped; and
# the largest angle that the resistance allows must be below them by this factor's room.
SHORT_OF_TRACE, SHORT_OF_PLAN, SHORT_AND_DEAD = 0.8, 0.6, 0.85
ROOM = 1.12
# It went past its park position beyond these parts: of the trace's own, of the plan's nominal
# value together with a time over the limit, and of that alone.
PAST_OF_TRACE, PAST_AND_LATE, PAST_OF_PLAN = 1.3, 1.3, 2.0
# Where one other half-turn is all the scale there is, the plan must not speak against it: units
# have 0.6 of their type's nominal value at least (guess), so that 1.3 half-turns are 0.75 by it.
NOT_PAST_BY_PLAN = 0.75
# Cut off by itself, it ended one half-turn if not more than this was turned: with a time over the
# run-on limit, and in time (a missed park position adds a whole turn, two half-turns).
ONE_HALF_TURN, MISSED_PARK = 1.5, 2.4
# From an unknown position a drive counts as a half-turn if it was at least this much of one.
FULL_ENOUGH = 0.85
# An expanded time uncertainty above this part of the half-turn is no measurement.
TIME_U_MOST = 0.1
# So much of the window must have valid samples, and so little of the drive may be clipped.
SEEN_LEAST, CLIPPED_MOST = 0.5, 0.2
# Without a sample for longer than this (s), nobody knows whether the feed was there: it is the
# shortest hold time of a dead-man timer.  What was not cut off is not judged then.
HOLE_S = 0.1
# Beyond this part of the integral without current, a drive that did not end itself is none (guess).
IDLE_MOST = 0.3
# So few of its samples may leap across rest by more than the noise before (guess: interference).
SCATTER_MOST = 0.04


class Position(Enum):
    """Where the unit stood before a window."""

    ASSUMED = "assumed"  # nothing seen yet: taken as parked at the other end
    STOP = "stop"
    RUN = "run"
    ASTRAY = "astray"  # it failed to park before
    UNKNOWN = "unknown"  # the rig interrupted it


@dataclass(frozen=True, slots=True)
class Case:
    """One window with all that decides about it.

    ``time_u_s`` is the expanded uncertainty of the half-turn time (s), None without a cut-off.
    """

    e: Evidence
    angle: Angle
    position: Position
    time_u_s: float | None
    unit: UnitType
    limits: Limits

    @property
    def here(self) -> Position:
        """The position this half-turn goes to."""
        return Position.RUN if self.e.window.direction is Direction.TO_RUN else Position.STOP

    @property
    def late_s(self) -> float:
        """By how much the drive outlasts the time limit at its voltage (s); negative if not."""
        supply_v = self.e.supply_v if math.isfinite(self.e.supply_v) else self.unit.nominal_v
        return self.e.driven_s - self.limits.half_turn_max_s.at(supply_v)

    @property
    def knows_start(self) -> bool:
        """Whether it is known to have started from the other park position."""
        other = Position.STOP if self.here is Position.RUN else Position.RUN
        if self.e.window.homing:
            return self.position is other
        return self.position in (other, Position.ASSUMED)

    @property
    def is_full(self) -> bool:
        """Whether the angle alone says that it was about a half-turn or more."""
        return self.angle.part is not None and self.angle.part >= FULL_ENOUGH


@dataclass(frozen=True, slots=True)
class Found:
    """An outcome, what decided it, where the unit is now, and whether its time counts."""

    outcome: Outcome
    note: str
    position: Position
    timed: bool = False


def decide(case: Case) -> Found | None:
    """Return what a window's drive was; None if nothing was asked of the unit."""
    e = case.e
    if not e.drive.flows:
        return _without_current(case)
    if e.moved_c < 0.0:
        note = "The current flowed backwards: check the polarity of the sensor and of the unit."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if e.is_deaf or e.scatter_part > SCATTER_MOST:
        note = "The current sensor's reading scattered too much to be told from a current."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if e.zero_moved:
        note = "The current sensor's zero was another at the end: its readings cannot be trusted."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if e.supply_v < GONE_OF_NOMINAL * case.unit.nominal_v and not _is_held_down(case):
        note = f"The voltage was {e.supply_v:.1f} V while it was fed."
        return Found(Outcome.NO_FEED, note, Position.UNKNOWN)
    if e.cut is None and e.hole_s > HOLE_S:
        return _not_watched(case)
    if _stood_still(case):
        return _stalled(case)
    if e.feed_lost:
        note = f"The voltage fell from {e.supply_v:.1f} V to {e.after_v:.1f} V under way."
        return _past_park(case) or Found(Outcome.NO_FEED, note, Position.UNKNOWN)
    if e.cut is None:
        return _past_park(case) or _under_way(case)
    if _drove_home(case):
        return None
    return _unsure(case) or _short(case) or _parked(case)


def _drove_home(case: Case) -> bool:
    """Whether a unit that stood somewhere only came home: how far it had to go is not known."""
    if not case.e.window.homing or case.e.clipped_part > CLIPPED_MOST:
        return False
    return case.position is Position.ASSUMED and not case.is_full


def _stood_still(case: Case) -> bool:
    """Whether the drive ended at standstill, and not in a creep that reached the cam after all."""
    e, angle, stand = case.e, case.angle, case.e.standstill
    if stand is None or e.cut is None:
        return stand is not None
    if e.window.begins is Cause.TRACE:
        return False  # its start was not seen, and what cut itself off had been turning
    if angle.of_trace is not None and angle.of_trace >= FULL_ENOUGH:
        return False
    if stand.is_sure:
        return True
    # The angle that is left if it did stand still must be less than a half-turn.
    if angle.part is None or e.turned_vs <= 0.0:
        return False
    before_vs = e.turned_vs + (e.ohm - 1.0 / stand.conductance) * e.moved_c
    return angle.part * before_vs / e.turned_vs < SHORT_OF_TRACE


def _is_held_down(case: Case) -> bool:
    """Whether a current-limited supply feeds a unit that stands still."""
    e, unit = case.e, case.unit
    if e.standstill is None:
        return False
    enough_a = HELD_DOWN_A * unit.nominal_v / unit.winding_ohm
    return e.supply_v > HELD_DOWN_V * unit.nominal_v and e.standstill.current_a > enough_a


def _without_current(case: Case) -> Found | None:
    e, window, position = case.e, case.e.window, case.position
    if window.begins is Cause.TRACE or window.homing:
        return None
    if window.begins is Cause.BATTERY and position in (case.here, Position.UNKNOWN):
        return None
    fed_s = window.end_s - window.start_s
    if e.window_v < GONE_OF_NOMINAL * case.unit.nominal_v:
        note = f"No current flowed and the voltage was {e.window_v:.1f} V."
        return Found(Outcome.NO_FEED, note, position)
    if e.seen_part < SEEN_LEAST or e.is_deaf:
        note = "The current sensor did not let it be seen whether the unit moved."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if e.hole_s > HOLE_S:
        return _not_watched(case)
    if not math.isfinite(e.window_v):
        note = "No current flowed, and no voltage was recorded to tell whether the unit was fed."
        return Found(Outcome.NOT_MEASURED, note, position)
    if fed_s < FED_ENOUGH_S:
        if window.ends is not Cause.TRACE:
            return None
        note = "The trace ends before the unit could answer."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if position is Position.UNKNOWN:
        note = "No current flowed, but the unit had been interrupted and its position is unknown."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    note = f"No current flowed for {fed_s:.2f} s at {e.window_v:.1f} V."
    if position is Position.ASTRAY:
        note += " It had not parked before."
    return Found(Outcome.NO_MOVEMENT, note, position)


def _not_watched(case: Case) -> Found:
    note = f"Nothing was recorded for {case.e.hole_s:.2f} s of it: what it did then is not known."
    return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)


def _stalled(case: Case) -> Found:
    e, stand = case.e, case.e.standstill
    assert stand is not None
    still_s = e.window.start_s + e.driven_s - stand.since_s
    note = f"It drew {stand.current_a:.1f} A and stood still for the last {still_s:.2f} s."
    return Found(Outcome.STALLED, note, Position.ASTRAY)


def _past_park(case: Case) -> Found | None:
    """Return "runs on" if the drive, however it ended, went on too long or too far."""
    e, angle = case.e, case.angle
    slack_s = 2.0 * e.window.start_half_s + 0.01  # the feed change and the guard's own cycle
    if e.driven_s >= case.limits.run_on_s - slack_s:
        note = f"It was still driving {e.driven_s:.2f} s after the feed change."
        return Found(Outcome.RUNS_ON, note, Position.ASTRAY)
    most = PAST_OF_TRACE
    if angle.of_trace is None:
        most = PAST_AND_LATE if case.late_s > 0 else PAST_OF_PLAN
    part = angle.part
    if part is None or angle.least is None or angle.least <= most:
        return None
    if angle.others == 1 and (angle.most_of_plan or math.inf) < NOT_PAST_BY_PLAN:
        return None  # the one other half-turn was a short one, and no scale
    note = f"It had turned about {180 * part:.0f} degrees and not cut off."
    return Found(Outcome.RUNS_ON, note, Position.ASTRAY)


def _under_way(case: Case) -> Found:
    """The current flowed until the feed was changed or the trace ended, and not too long."""
    e = case.e
    by = "when the feed was taken away" if e.by_rig else "when the trace ended"
    if e.idle_vs > IDLE_MOST * e.turned_vs:
        note = "Its current had ended and came back, which no cam does: perhaps interference."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if case.late_s > 0 and e.window.begins is not Cause.TRACE:
        note = f"It had not parked {e.driven_s:.2f} s after the feed change, {by}."
        return Found(Outcome.SLOW, note, Position.UNKNOWN)
    note = f"It was under way {by}, {e.driven_s:.2f} s after the feed change."
    return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)


def _begins_with_trace(e: Evidence) -> bool:
    """Whether the trace begins with the feed change: at rest first, then at once an inrush."""
    is_quick = 0.0 < e.drive.begin_s - e.window.start_s < ANSWER_S
    has_inrush = e.electric is not None and e.electric.start is not None
    return is_quick and has_inrush and e.drive.begin > e.drive.first


def _unsure(case: Case) -> Found | None:
    """The unit cut off by itself; return why that is not known well enough, if so."""
    e = case.e
    position = case.here
    if e.window.begins is Cause.TRACE and not _begins_with_trace(e):
        note = "The trace begins in the middle of it."
    elif e.clipped_part > CLIPPED_MOST:
        note = "The current was beyond the sensor's range for most of it."
        position = Position.UNKNOWN
    elif case.time_u_s is None or case.time_u_s > TIME_U_MOST * e.driven_s:
        note = "When it was cut off could not be seen well enough."
    elif e.cut is not None and e.cut.fades and not case.is_full:
        note = "Its current ran out before a cut-off could be seen: the cable may pull it along."
    elif not case.knows_start and not case.is_full:
        note = "Where it started from is not known, so how far it went says nothing."
    else:
        return None
    return Found(Outcome.NOT_MEASURED, note, position)


def _short(case: Case) -> Found | None:
    """Return "stops short" if less than a half-turn was done."""
    e, angle = case.e, case.angle
    if angle.of_trace is not None and angle.most_of_trace is not None:
        part, most, least = angle.of_trace, angle.most_of_trace, SHORT_OF_TRACE
    elif angle.of_plan is not None and angle.most_of_plan is not None:
        part, most = angle.of_plan, angle.most_of_plan
        least = SHORT_AND_DEAD if angle.next_is_dead else SHORT_OF_PLAN
    else:
        return _too_soon(case)
    if part >= least or most >= ROOM * least:
        return None
    if case.position is Position.ASSUMED and angle.next_is_whole:
        # Had it stopped there, the next half-turn would have been dead, or as much too long.
        note = (
            "It reached its park position after less than a half-turn, and the next was a whole "
            "one: it had stood between its ends at first."
        )
        return Found(Outcome.NOT_MEASURED, note, case.here)
    if case.position is Position.ASSUMED and not angle.next_tells:
        note = (
            "It cut off after less than a half-turn. It may have stood between its ends at first: "
            "the next half-turn, which would tell, was not seen."
        )
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    if not math.isfinite(e.supply_v):
        note = "It was cut off early, and no voltage was recorded to tell by what."
        return Found(Outcome.NOT_MEASURED, note, Position.UNKNOWN)
    # The trace's own scale may be longer than a half-turn where the one before was short.
    shown = e.turned_vs / angle.scale_vs if angle.scale_vs else part
    note = f"It cut off after about {180 * shown:.0f} degrees of 180."
    return Found(Outcome.STOPS_SHORT, note, Position.ASTRAY)


def _too_soon(case: Case) -> Found | None:
    """Neither trace nor plan gives an angle: the least time, if the plan has one, must serve."""
    least = case.limits.half_turn_min_s
    supply_v = case.e.supply_v if math.isfinite(case.e.supply_v) else case.unit.nominal_v
    if least is None or case.e.driven_s >= least.at(supply_v):
        return None
    note = f"It cut off after {case.e.driven_s:.3f} s, too soon for a half-turn."
    return Found(Outcome.STOPS_SHORT, note, Position.ASTRAY)


def _parked(case: Case) -> Found:
    """It cut off by itself after a half-turn: in time, late, or after a turn too many."""
    e, angle = case.e, case.angle
    part = angle.part
    missed = angle.of_trace is not None and angle.of_trace > MISSED_PARK and angle.others > 1
    least = angle.least if angle.least is not None else 0.0
    too_long = e.driven_s > case.limits.run_on_s and least > ONE_HALF_TURN
    if part is not None and (missed or too_long):
        note = f"It cut off only after {e.driven_s:.2f} s and about {180 * part:.0f} degrees."
        return Found(Outcome.RUNS_ON, note, case.here)
    if case.late_s > 0:
        return Found(Outcome.SLOW, "It parked later than the limit.", case.here, timed=True)
    return Found(Outcome.PARKED, "", case.here, timed=True)
