"""Angles of a trace's drives on the scale of its own half-turns, and of the plan.

A unit turns one way only and parks at two fixed places, so two half-turns in a row make one whole
turn: their integrals give the scale without knowing the unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.edges import Cause
from rig.analysis.evidence import Evidence
from rig.analysis.levels import median
from rig.analysis.model import UnitType
from rig.analysis.trace import BoolArray, FloatArray

# The resistance taken from an inrush may be wrong by this part either way (simulated motors,
# 200 Hz to 2 kHz), which shifts angles of heavily loaded drives against those of light ones.
OHM_WRONG = 0.15
# Where an inrush was sampled too rarely the resistance may be smaller by this part.
OHM_WRONG_COARSE = 0.45
# Between two drives it may change by this part (13 K of copper).
OHM_DRIFT = 0.05
# A motor pulled along without current may turn half as fast again as the voltage says (guess).
UNSEEN = 0.5
# No unit turns half round in less (s, guess).
SHORTEST_S = 0.06
# With more others than this their median is the full half-turn; with fewer the largest is.
MANY = 4
# A half-turn that is one turns this part of the scale, whatever the scale is from (guess: what
# units differ from their type by, and twice what angles of one unit scatter).
WHOLE_LEAST, WHOLE_MOST = 0.85, 1.2


@dataclass(frozen=True, slots=True)
class Angle:
    """How far a drive turned, in parts of a full half-turn.

    ``of_trace`` by the trace's other half-turns that the unit ended by itself, of which there are
    ``others`` (None without any); ``of_plan`` by the plan's nominal value (None if it has none).
    The ``most_`` and ``least`` values are the largest and the smallest that the resistance's
    uncertainty allows (``least`` by the trace if it can tell, else by the plan).  ``scale_vs``
    is the integral of 180 degrees (V s) as well as it is known.  ``next_is_dead`` tells that no
    current flowed at the next ignition change although fed; ``next_is_whole`` that the next
    half-turn was neither short nor long, so that it began where this one should have ended.
    ``next_tells`` tells that there was a next ignition change, seen to its end: the unit was dead
    then, or cut itself off.
    """

    of_trace: float | None
    most_of_trace: float | None
    others: int
    of_plan: float | None
    most_of_plan: float | None
    least: float | None
    scale_vs: float | None
    next_is_dead: bool
    next_is_whole: bool
    next_tells: bool

    @property
    def part(self) -> float | None:
        """The angle by the trace if it can tell, else by the plan."""
        return self.of_trace if self.of_trace is not None else self.of_plan


def measure_angles(found: list[Evidence], unit: UnitType) -> list[Angle]:
    """Return the angle of every drive."""
    is_whole = np.array([_is_whole(found, k) for k in range(len(found))], dtype=np.bool_)
    vs = np.array([e.turned_vs for e in found])
    drop_vs = np.array([e.ohm * e.moved_c for e in found])
    coarse = any(e.electric is not None and e.electric.is_coarse for e in found)
    less = OHM_WRONG_COARSE if coarse else OHM_WRONG
    # Rows: the integral with the resistance as it is, smaller, larger.
    rows = np.stack([vs, vs + less * drop_vs, vs - OHM_WRONG * drop_vs])
    scale_vs = _scale_vs(vs, is_whole) or unit.turn_vs
    count = int(is_whole.sum())
    middle_vs = np.median(rows[:, is_whole], axis=1) if count > MANY + 1 else None
    angles = []
    for k, e in enumerate(found):
        full_vs = middle_vs
        if full_vs is None:
            others = is_whole & (np.arange(len(found)) != k)
            full_vs = rows[:, others].max(axis=1) if others.any() else None
        of_trace = None if full_vs is None else _parts(rows[:, k], full_vs, e)
        plan_vs = None if unit.turn_vs is None else np.full(3, unit.turn_vs)
        of_plan = None if plan_vs is None else _parts(rows[:, k], plan_vs, e)
        shown = of_plan if of_trace is None else of_trace
        angles.append(
            Angle(
                of_trace=None if of_trace is None else of_trace[0],
                most_of_trace=None if of_trace is None else of_trace[2],
                others=count - int(is_whole[k]),
                of_plan=None if of_plan is None else of_plan[0],
                most_of_plan=None if of_plan is None else of_plan[2],
                least=None if shown is None else shown[1],
                scale_vs=scale_vs,
                next_is_dead=_next_is_dead(found, k),
                next_is_whole=_next_is_whole(found, vs, is_whole, k, unit),
                next_tells=_next_tells(found, k),
            )
        )
    return angles


def _parts(turned_vs: FloatArray, full_vs: FloatArray, e: Evidence) -> tuple[float, float, float]:
    """Return a drive's part of a full half-turn: as it is, the least and the most it may be.

    Besides the resistance as such, the winding may have warmed or cooled between two drives; and
    while no current flowed the motor may have been pulled along faster than the voltage says, or
    have stood still.
    """
    full_vs = np.maximum(full_vs, 1e-9)
    parts = turned_vs / full_vs
    warmth = OHM_DRIFT * abs(e.ohm * e.moved_c) / float(full_vs[0])
    idle = e.idle_vs / float(full_vs[0])
    least, most = float(parts.min()) - warmth - idle, float(parts.max()) + warmth + UNSEEN * idle
    return float(parts[0]), least, most


def _scale_vs(vs: FloatArray, is_whole: BoolArray) -> float | None:
    """Return the integral of half a turn: half of what two half-turns in a row make."""
    in_a_row = is_whole[:-1] & is_whole[1:]
    if in_a_row.any():
        return 0.5 * median((vs[:-1] + vs[1:])[in_a_row])
    return None


def _next_is_dead(found: list[Evidence], k: int) -> bool:
    if k + 1 >= len(found):
        return False
    follower = found[k + 1]
    return follower.window.begins is Cause.IGNITION and not follower.drive.flows


def _next_tells(found: list[Evidence], k: int) -> bool:
    if k + 1 >= len(found) or found[k + 1].window.begins is not Cause.IGNITION:
        return False
    return _next_is_dead(found, k) or found[k + 1].cut is not None


def _next_is_whole(
    found: list[Evidence], vs: FloatArray, is_whole: BoolArray, k: int, unit: UnitType
) -> bool:
    """Whether the next drive went half round, on a scale that neither of the two made."""
    follower = k + 1
    if follower >= len(found) or not is_whole[follower]:
        return False
    if found[follower].window.begins is not Cause.IGNITION:
        return False
    others = is_whole & (np.abs(np.arange(len(found)) - (k + 0.5)) > 1.0)
    full_vs = float(np.median(vs[others])) if others.any() else unit.turn_vs
    return full_vs is not None and WHOLE_LEAST < vs[follower] / max(full_vs, 1e-9) < WHOLE_MOST


def _is_whole(found: list[Evidence], k: int) -> bool:
    """Whether a drive went from park to park as far as it can tell by itself."""
    e = found[k]
    if e.cut is None or e.cut.fades or e.standstill is not None or e.drive.carried:
        return False
    if e.window.homing or e.window.begins is Cause.TRACE or e.driven_s < SHORTEST_S:
        return False
    return k == 0 or not found[k - 1].drive.flows or found[k - 1].cut is not None
