"""How a winding heats while the motor is fed and stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from rig.analysis.copper import G_PER_CM3, J_PER_GK, OHM_MM2_PER_M, PER_K
from rig.analysis.model import UnitType
from rig.analysis.motor import MotorIdentity
from rig.analysis.motor_relations import stall_current_a
from rig.analysis.trace import FloatArray

HEAT_U_REL = 0.3
"""How far a guessed heat capacity may be off, either way (guess)."""

_STEPS = 2000  # instants at which a stall's current is given; they lie closer at its beginning
_OHM_NEVER_BELOW = 0.5  # no copper gets so cold that it loses half its resistance


@dataclass(frozen=True, slots=True)
class Winding:
    """A winding held still.  Resistances in ohm at 20 degrees Celsius, temperatures in degrees.

    ``ohm`` winding with what is in series behind the point of measurement, taken as copper;
    ``heat_j_per_k`` its heat capacity; ``cooling_k_per_w`` from winding to air.  With
    ``case_j_per_k`` and ``winding_case_k_per_w`` the heat goes through the case, else straight to
    the air, which is on the safe side: less heat leaves at first.  The three ``*_off`` say how far
    each value may be off either way.  ``start_c`` is winding, case and air at the beginning, and
    ``as_found`` tells that ``ohm`` was measured at that very temperature, whatever it is.
    """

    ohm: float
    heat_j_per_k: float
    cooling_k_per_w: float
    max_c: float
    ohm_off: float = 0.0
    heat_off_j_per_k: float = 0.0
    start_c: float = 20.0
    start_off_c: float = 0.0
    case_j_per_k: float | None = None
    winding_case_k_per_w: float | None = None
    as_found: bool = False

    @property
    def cold_ohm(self) -> float:
        """Its resistance at 20 degrees Celsius, ohm."""
        return self.ohm / (1.0 + PER_K * (self.start_c - 20.0)) if self.as_found else self.ohm


def winding_of(
    unit: UnitType,
    max_c: float,
    identity: MotorIdentity | None = None,
    *,
    start_c: float = 20.0,
    start_off_c: float = 15.0,
) -> Winding:
    """Return the winding of a unit: its resistance as identified, else its type's.

    A type's resistance may be off by a tenth (guess), an identified one by its expanded
    uncertainty; the heat capacity by `HEAT_U_REL`.  ``start_off_c``: a workshop has 5 to 35
    degrees (guess).  A resistance identified at an unknown temperature had one of these.
    """
    ohm, off, as_found = unit.winding_ohm, 0.1 * unit.winding_ohm, False
    if identity is not None and identity.circuit_20c_ohm.value is not None:
        ohm, off = identity.circuit_20c_ohm.value, 2.0 * (identity.circuit_20c_ohm.u or 0.0)
    elif identity is not None and identity.circuit_ohm.value is not None:
        ohm, off, as_found = identity.circuit_ohm.value, 2.0 * (identity.circuit_ohm.u or 0.0), True
    return Winding(
        ohm,
        unit.heat_j_per_k,
        unit.cooling_k_per_w,
        max_c,
        ohm_off=off,
        heat_off_j_per_k=HEAT_U_REL * unit.heat_j_per_k,
        start_c=start_c,
        start_off_c=start_off_c,
        as_found=as_found,
    )


@dataclass(frozen=True, slots=True)
class StallHeat:
    """A stall: current (A) and winding temperature (degrees Celsius) over time (s).

    ``hot_s`` is when the winding reaches its limit, infinite if it does not within the time.
    """

    time_s: FloatArray
    current_a: FloatArray
    winding_c: FloatArray
    hot_s: float


def stall_heat(winding: Winding, supply_v: float, lead_ohm: float, horizon_s: float) -> StallHeat:
    """Return how a winding heats that stands still on ``supply_v`` (V) behind ``lead_ohm``.

    ``lead_ohm`` (source, leads, fuse) stays cold.  C dT/dt = i2 R(T) - heat lost, R(T) by copper's
    coefficient, i = V / (R(T) + lead); solved by SciPy's LSODA to a relative error of 1e-8.
    The inductance is left out: its time constant is a ms.
    """
    start = winding.start_c
    with_case = winding.case_j_per_k is not None and winding.winding_case_k_per_w is not None
    inward = winding.winding_case_k_per_w if with_case else winding.cooling_k_per_w
    assert inward is not None
    outward = winding.cooling_k_per_w - inward
    case_j = winding.case_j_per_k

    def ohm(winding_c: Any) -> Any:
        return winding.cold_ohm * np.maximum(1.0 + PER_K * (winding_c - 20.0), _OHM_NEVER_BELOW)

    def slope(_: float, temperatures: FloatArray) -> list[float]:
        winding_c, case_c = float(temperatures[0]), float(temperatures[1])
        hot_ohm = float(ohm(winding_c))
        current_a = stall_current_a(supply_v, hot_ohm + lead_ohm)
        across_w = (winding_c - case_c) / inward
        heats = (current_a**2 * hot_ohm - across_w) / winding.heat_j_per_k
        if case_j is None or not with_case:
            return [heats, 0.0]  # the second body is the air
        lost_w = (case_c - start) / outward if outward > 0.0 else 0.0
        return [heats, (across_w - lost_w) / case_j]

    def reaches(_: float, temperatures: FloatArray) -> float:
        return float(temperatures[0]) - winding.max_c

    reaches.direction = 1.0  # type: ignore[attr-defined]
    time_s = np.concatenate(([0.0], np.geomspace(1e-3, horizon_s, _STEPS)))
    time_s[-1] = horizon_s
    solved = solve_ivp(
        slope,
        (0.0, horizon_s),
        [start, start],
        method="LSODA",
        t_eval=time_s,
        events=reaches,
        rtol=1e-8,
        atol=1e-6,
    )
    winding_c = np.asarray(solved.y[0], dtype=np.float64)
    crossed = [float(t) for times in solved.t_events or () for t in times]
    hot_s = min(crossed, default=math.inf)
    if start >= winding.max_c:
        hot_s = 0.0
    current_a = np.asarray(supply_v / (ohm(winding_c) + lead_ohm), dtype=np.float64)
    return StallHeat(np.asarray(solved.t, dtype=np.float64), current_a, winding_c, hot_s)


def corners(winding: Winding) -> tuple[Winding, ...]:
    """Return the windings that it may be: every value as low and as high as it may be."""
    found = {
        replace(
            winding,
            ohm=max(winding.ohm + ohm * winding.ohm_off, 1e-3),
            heat_j_per_k=max(winding.heat_j_per_k + heat * winding.heat_off_j_per_k, 1e-3),
            start_c=winding.start_c + start * winding.start_off_c,
        )
        for ohm in (-1, 1)
        for heat in (-1, 1)
        for start in (-1, 1)
    }
    return tuple(sorted(found, key=lambda w: (w.ohm, w.heat_j_per_k, w.start_c)))


def copper_heat_j_per_k(ohm: float, wire_mm: float, paths: int = 2) -> float:
    """Return the heat capacity (J/K) of a winding's copper alone: a check on a guess.

    ``ohm`` between the brushes at 20 degrees Celsius (brushes themselves left out), ``wire_mm``
    the bare wire's diameter, ``paths`` how many run side by side from brush to brush (two in a
    two-pole armature).  The length follows from the resistance, the mass from the length.
    """
    area_mm2 = math.pi / 4.0 * wire_mm**2
    length_m = ohm * paths**2 * area_mm2 / OHM_MM2_PER_M
    return length_m * area_mm2 * G_PER_CM3 * J_PER_GK
