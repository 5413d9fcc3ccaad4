"""How long a half-turn would have taken at another supply voltage.

With back-EMF E = V - R i the rotor runs up as E (1 - exp(-t / tau)), so that a half-turn of
back-EMF integral F takes, from the first current on,

    T = F / E + tau        (after some tau)

The load is the same at another voltage V', but for the friction's part that follows the speed, so
i stands and E' = V' - R i.  F is shorter by what the rotor had coasted beyond its cut-off the time
before, which a higher speed makes longer (`turn_time.coast_vs`).  The motor constant drops out:
only resistance, current and roughly the time constant need to be known (motor relations: any
catalogue of brushed direct-current motors).  The voltage is meant as it is measured: at the unit,
while it turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.analysis.turn_time import COAST_MOST, coasts_vs

# Mechanical time constant of motors of this size where nothing is known of it (s, and standard
# uncertainty): 2 to 30 ms by catalogue, more with a gear on it.
TAU_S, TAU_U_S = 0.015, 0.010
# Friction and load that follow the speed, as a part of the whole current (guess: 0 to 0.3).
VISCOUS, VISCOUS_U = 0.15, 0.15 / math.sqrt(3.0)
# Below this part of the voltage the back-EMF is the resistance's error (as in `lever`).
STANDS_SHARE = 0.08


@dataclass(frozen=True, slots=True)
class Drive:
    """What a half-turn's time follows from.  SI units.

    ``half_turn_s`` from the feed change, ``delay_s`` of it before the first current; ``supply_v``
    while it turned; ``charge_c`` all the charge that went through the motor; ``ohm`` of the motor
    circuit, ``tau_s`` its mechanical time constant; ``viscous`` the part of the current that
    follows the speed; ``free`` 1 if it coasts freely after its cut-off, 0 if the cam brakes it.
    """

    half_turn_s: float
    delay_s: float
    supply_v: float
    charge_c: float
    ohm: float
    tau_s: float
    viscous: float
    free: float


def freedom(brake_at_park: bool | None) -> tuple[float, float]:
    """Return ``Drive.free`` and its standard uncertainty: anywhere between if nobody knows."""
    if brake_at_park is None:
        return 0.5, 0.5 / math.sqrt(3.0)
    return (0.0 if brake_at_park else 1.0), 0.0


def drive_at_u(drive: Drive, standard_u: Drive, supply_v: float) -> tuple[float, float] | None:
    """Return the half-turn time at ``supply_v`` and its standard uncertainty (s).

    ``standard_u`` holds the standard uncertainty of each value of ``drive``; what each does is
    tried out, up and down, and added in squares (JCGM 100:2008, 5.1).  None if the drive is
    no motor that turned, or might not turn at that voltage.
    """
    values = _values(drive)
    middle_s = _time_s(values, supply_v)
    if middle_s is None:
        return None
    square = 0.0
    for k, u in enumerate(_values(standard_u)):
        if u == 0.0:
            continue
        more_s = _time_s((*values[:k], values[k] + u, *values[k + 1 :]), supply_v)
        less_s = _time_s((*values[:k], values[k] - u, *values[k + 1 :]), supply_v)
        if more_s is None or less_s is None:
            return None
        square += max(abs(more_s - middle_s), abs(less_s - middle_s)) ** 2
    return middle_s, math.sqrt(square)


def _values(d: Drive) -> tuple[float, ...]:
    return (
        d.half_turn_s, d.delay_s, d.supply_v, d.charge_c, d.ohm, d.tau_s, d.viscous, d.free
    )  # fmt: skip


def _time_s(values: tuple[float, ...], at_v: float) -> float | None:
    """Return the time at ``at_v`` of a drive's values in their order; an hour has thousands."""
    half_turn_s, delay_s, supply_v, charge_c, ohm, tau_s, viscous, free = values
    turned_s = half_turn_s - delay_s - tau_s
    if turned_s <= 0.0 or supply_v <= 0.0:
        return None
    # Speeding up takes J w / K = tau E / R of the charge; the rest is the load's.
    drop_v = (ohm * charge_c - tau_s * supply_v) / turned_s
    emf_v = supply_v - drop_v
    if emf_v < STANDS_SHARE * supply_v or drop_v < 0.0:
        return None
    # The drop is part constant, part in proportion to the speed.
    there_v = (at_v - drop_v * (1.0 - viscous)) / (1.0 + viscous * drop_v / emf_v)
    if there_v < STANDS_SHARE * at_v:
        return None
    turned_vs = turned_s * emf_v
    more_vs = _coast_vs(emf_v, drop_v, tau_s, free) - _coast_vs(
        there_v, at_v - there_v, tau_s, free
    )
    most_vs = COAST_MOST * turned_vs
    turned_vs += min(max(more_vs, -most_vs), most_vs)
    return delay_s + tau_s + turned_vs / there_v


def _coast_vs(emf_v: float, drop_v: float, tau_s: float, free: float) -> float:
    braked_vs, free_vs = coasts_vs(emf_v, drop_v, tau_s)
    return braked_vs + free * (free_vs - braked_vs)
