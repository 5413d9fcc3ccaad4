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

# The resistance taken from an inrush may be wrong by this part either way (simulated motors,
# 200 Hz to 2 kHz), which shifts angles of heavily loaded drives against those of light ones.
OHM_WRONG = 0.15
# Where an inrush was sampled too rarely the resistance may be smaller by this part.
OHM_WRONG_COARSE = 0.45
UNSEEN = 0.5
# With more others than this their median is the full half-turn; with fewer the largest is.
MANY = 4


@dataclass(frozen=True, slots=True)
class Angle:
    """How far a drive turned, in parts of a full half-turn.

    ``of_trace`` by the trace's other half-turns that the unit ended by itself, of which there are
    ``others`` (None without any); ``of_plan`` by the plan's nominal value (None if it has none).
    The ``most_`` values are the largest that the resistance's uncertainty allows.  ``scale_vs``
    is the integral of 180 degrees (V s) as well as it is known, ``next_is_dead`` tells that no
    current flowed at the next ignition change although fed.
    """

    of_trace: float | None
    most_of_trace: float | None
    others: int
    of_plan: float | None
    most_of_plan: float | None
    scale_vs: float | None
    next_is_dead: bool

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
    wrong = OHM_WRONG_COARSE if coarse else OHM_WRONG
    # Rows: the integral with the resistance as it is, smaller, larger.
    rows = np.stack([vs, vs + wrong * drop_vs, vs - OHM_WRONG * drop_vs])
    scale_vs = _scale_vs(vs, is_whole) or unit.turn_vs
    middle = np.median(rows[:, is_whole], axis=1) if is_whole.sum() > MANY + 1 else None
    return [_angle(found, k, rows, is_whole, middle, scale_vs, unit) for k in range(len(found))]


def _angle(
    found: list[Evidence],
    k: int,
    rows: np.ndarray,
    is_whole: np.ndarray,
    middle: np.ndarray | None,
    scale_vs: float | None,
    unit: UnitType,
) -> Angle:
    others = int(is_whole.sum()) - int(is_whole[k])
    parts: np.ndarray | None = None
    if middle is not None:
        parts = rows[:, k] / middle
    elif others:
        mask = is_whole.copy()
        mask[k] = False
        parts = rows[:, k] / rows[:, mask].max(axis=1)
    of_plan = rows[:, k] / unit.turn_vs if unit.turn_vs else None
    # While no current flowed the motor may have been pulled along at half as fast again (guess).
    unseen_vs = UNSEEN * found[k].idle_vs
    most_of_trace = most_of_plan = None
    if parts is not None:
        most_of_trace = float(parts.max()) * (1.0 + unseen_vs / max(float(rows[0, k]), 1e-9))
    if of_plan is not None and unit.turn_vs:
        most_of_plan = float(of_plan.max()) + unseen_vs / unit.turn_vs
    return Angle(
        of_trace=None if parts is None else float(parts[0]),
        most_of_trace=most_of_trace,
        others=others,
        of_plan=None if of_plan is None else float(of_plan[0]),
        most_of_plan=most_of_plan,
        scale_vs=scale_vs,
        next_is_dead=_next_is_dead(found, k),
    )


def _scale_vs(vs: np.ndarray, is_whole: np.ndarray) -> float | None:
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


def _is_whole(found: list[Evidence], k: int) -> bool:
    """Whether a drive went from park to park as far as it can tell by itself."""
    e = found[k]
    if e.cut is None or e.cut.fades or e.standstill is not None or e.drive.carried:
        return False
    if e.window.homing or e.window.begins is Cause.TRACE:
        return False
    return k == 0 or not found[k - 1].drive.flows or found[k - 1].cut is not None
