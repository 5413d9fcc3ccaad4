"""Copper's resistance and its temperature: the resistance method.

(R2/R1) = (k + T2)/(k + T1).  Two constants are in use for copper: 234.5, published in IEEE 112,
NEMA MG 1 and UL practice; 235, IEC 60034-1, from memory.  They differ by 0.1 K at 50 K of rise.
"""

from __future__ import annotations

from enum import Enum

from rig.analysis.copper import PER_K
from rig.analysis.estimate import Estimate


class CopperConstant(Enum):
    """The k of the resistance method (degrees Celsius below zero at which R would vanish)."""

    IEEE_NEMA = 234.5  # IEEE 112, NEMA MG 1 (published)
    IEC = 235.0  # IEC 60034-1, 8.6.2 (from memory)


# What this program uses: the published one.
USED = CopperConstant.IEEE_NEMA


def winding_c(
    ohm: float, before_ohm: float, before_c: float, constant: CopperConstant = USED
) -> float:
    """Return the temperature (degrees C) of a winding that had ``before_ohm`` at ``before_c``.

    Raises ValueError if a resistance is not positive.
    """
    _positive(ohm, before_ohm)
    return ohm / before_ohm * (constant.value + before_c) - constant.value


def rise_k(
    ohm: float,
    before_ohm: float,
    before_c: float,
    ambient_c: float,
    constant: CopperConstant = USED,
) -> float:
    """Return the rise (K) over the ambient temperature at the end of a test."""
    return winding_c(ohm, before_ohm, before_c, constant) - ambient_c


def at_20c(ohm: float, at_c: float) -> float:
    """Return a copper resistance reduced to 20 degrees C by IEC 60028's coefficient."""
    return ohm / (1.0 + PER_K * (at_c - 20.0))


def warmed(ohm_20c: float, at_c: float) -> float:
    """Return the resistance at a temperature (degrees C) of copper that has ``ohm_20c`` at 20."""
    return ohm_20c * (1.0 + PER_K * (at_c - 20.0))


def reduced_to_20c(ohm: Estimate, at_c: Estimate) -> Estimate:
    """Return a resistance at 20 degrees C with the uncertainty that the temperature adds."""
    if ohm.value is None or ohm.u is None or at_c.value is None or at_c.u is None:
        return Estimate(None, None, ohm.unit, ohm.missing or at_c.missing)
    value = at_20c(ohm.value, at_c.value)
    per_k = PER_K / (1.0 + PER_K * (at_c.value - 20.0))
    u = value * ((ohm.u / ohm.value) ** 2 + (per_k * at_c.u) ** 2) ** 0.5
    return Estimate(value, u, ohm.unit)


def _positive(*ohms: float) -> None:
    if not all(ohm > 0.0 for ohm in ohms):
        raise ValueError("a resistance must be positive")
