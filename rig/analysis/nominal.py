"""A half-turn's time as it would have been at its type's nominal voltage, from one trace alone."""

from __future__ import annotations

import math

from rig.analysis.angles import OHM_WRONG, OHM_WRONG_COARSE
from rig.analysis.at_voltage import (
    TAU_S,
    TAU_U_S,
    VISCOUS,
    VISCOUS_U,
    Drive,
    drive_at_u,
    freedom,
)
from rig.analysis.evidence import Evidence
from rig.analysis.model import Accuracy, UnitType

# A value known to lie anywhere within +- a has the standard uncertainty a / sqrt(3).
RECTANGULAR = 1.0 / math.sqrt(3.0)
# A type's turn_vs is nominal: units differ from it by a sixth (guess, as in `judge`).
TURN_WRONG = 1.0 / 6.0


def at_nominal(
    e: Evidence, time_u_s: float, unit: UnitType, accuracy: Accuracy
) -> tuple[float, float] | None:
    """Return that time and its standard uncertainty (s); None if it cannot be told.

    ``time_u_s`` is the standard uncertainty of the half-turn time.
    """
    if e.electric is None or not math.isfinite(e.supply_v) or e.moved_c <= 0.0:
        return None
    delay_s = max(e.drive.begin_s - e.window.start_s, 0.0)
    ohm, ohm_u = _ohm(e, e.driven_s - delay_s, unit)
    free, free_u = freedom(unit.brake_at_park)
    drive = Drive(e.driven_s, delay_s, e.supply_v, e.moved_c, ohm, TAU_S, VISCOUS, free)
    standard_u = Drive(
        half_turn_s=time_u_s,
        delay_s=RECTANGULAR * e.window.start_half_s,
        supply_v=accuracy.voltage_u_v(e.supply_v),
        charge_c=math.hypot(accuracy.gain_u_rel * e.moved_c, accuracy.offset_u_a * e.driven_s),
        ohm=ohm_u,
        tau_s=TAU_U_S,
        viscous=math.hypot(VISCOUS_U, _turns_lost(e, unit)),
        free=free_u,
    )
    return drive_at_u(drive, standard_u, unit.nominal_v)


def _ohm(e: Evidence, driven_s: float, unit: UnitType) -> tuple[float, float]:
    """Return the resistance and its standard uncertainty (ohm).

    Two things tell it: the inrush, and the type's ``turn_vs``, for V T - R q is the back-EMF
    integral of a half-turn.  Each counts as its uncertainty lets it.
    """
    less = OHM_WRONG_COARSE if e.electric is not None and e.electric.is_coarse else OHM_WRONG
    ohm = e.ohm * (1.0 + 0.5 * (OHM_WRONG - less))
    ohm_u = RECTANGULAR * 0.5 * (OHM_WRONG + less) * e.ohm
    if unit.turn_vs is None:
        return ohm, ohm_u
    by_turn_ohm = (e.supply_v * driven_s - unit.turn_vs) / e.moved_c
    by_turn_u = RECTANGULAR * TURN_WRONG * unit.turn_vs / e.moved_c
    weight, by_turn_weight = ohm_u**-2, by_turn_u**-2
    total = weight + by_turn_weight
    return (weight * ohm + by_turn_weight * by_turn_ohm) / total, total**-0.5


def _turns_lost(e: Evidence, unit: UnitType) -> float:
    """Return which part of the back-EMF is not there: shorted turns are a drag like any generator.

    They take a current that follows the speed.
    """
    if unit.turn_vs is None:
        return 0.0
    return min(max(1.0 - e.turned_vs / unit.turn_vs, 0.0), 1.0)
