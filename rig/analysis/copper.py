"""Copper: its resistance by temperature, and that of leads by length and cross-section."""

from __future__ import annotations

PER_K = 0.00393
"""Temperature coefficient of annealed copper at 20 degrees Celsius, 1/K (IEC 60028)."""
OHM_MM2_PER_M = 1.0 / 58.0
"""Resistivity of annealed copper at 20 degrees Celsius (IEC 60028)."""
G_PER_CM3 = 8.89
"""Density of annealed copper (IEC 60028)."""
J_PER_GK = 0.385
"""Specific heat of copper near room temperature (handbook value, from memory)."""

# Highest resistance of plain copper at 20 degrees Celsius, ohm/km by mm2: IEC 60228, as agreeing
# cable tables print it.  Class 5 is fine stranded wire, as in vehicles and test leads; class 1
# and 2 are solid and stranded wire.
FLEXIBLE_OHM_PER_KM = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30,
}  # fmt: skip
SOLID_OHM_PER_KM = {
    0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08,
}  # fmt: skip
LEAD_AREAS_MM2 = tuple(FLEXIBLE_OHM_PER_KM)
"""Cross-sections there are data for, mm2."""


def temperature_factor(temp_c: float) -> float:
    """Return how many times its resistance at 20 degrees Celsius copper has at ``temp_c``.

    (230 + t) / 250: the reverse of the factor 250 / (230 + t) that is printed with IEC 60228
    tables; it differs from 234.5 + t in the third digit.
    """
    return (230.0 + temp_c) / 250.0


def lead_ohm(
    length_m: float, area_mm2: float, temp_c: float = 20.0, *, flexible: bool = True
) -> tuple[float, float]:
    """Return the least and the highest resistance (ohm) of a copper lead, one way.

    Raises KeyError for a cross-section that is not in `LEAD_AREAS_MM2`.
    """
    table = FLEXIBLE_OHM_PER_KM if flexible else SOLID_OHM_PER_KM
    factor = temperature_factor(temp_c)
    least_ohm = OHM_MM2_PER_M * length_m / area_mm2
    return least_ohm * factor, table[area_mm2] * length_m / 1000.0 * factor
