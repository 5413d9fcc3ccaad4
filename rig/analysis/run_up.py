"""The current of a motor that is switched on at rest, in closed form.

L di/dt = U - R i - e and C de/dt = i - f, with e the back-EMF, C = J/K2 (the inertia as a
capacitance, F), f the current that the load takes (A), and U behind R.  The rotor is held until
i reaches f.  With y = i - f afterwards: L y'' + R y' + y/C = 0, y(0) = 0, y'(0) = (U - R f)/L.
Any textbook of linear circuits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis.trace import FloatArray

# An INA219's 12-bit conversion averages over this (s, data sheet).
CONVERSION_S = 532e-6


def mean_current_a(
    since_s: FloatArray,
    volts: ArrayLike,
    ohm: ArrayLike,
    henry: ArrayLike,
    farad: ArrayLike,
    load_a: ArrayLike,
) -> FloatArray:
    """Return the current (A) averaged over the conversion that ends ``since_s`` after the start.

    ``ohm`` is all there is behind ``volts``.  Everything broadcasts.
    """
    arguments = (volts, ohm, henry, farad, load_a)
    ends = charge_c(since_s, *arguments)
    begins = charge_c(since_s - CONVERSION_S, *arguments)
    return (ends - begins) / CONVERSION_S


def charge_c(
    since_s: FloatArray,
    volts: ArrayLike,
    ohm: ArrayLike,
    henry: ArrayLike,
    farad: ArrayLike,
    load_a: ArrayLike,
) -> FloatArray:
    """Return the charge (C) that has flowed ``since_s`` after the start; 0 before it."""
    u, r = np.asarray(volts, dtype=np.float64), np.asarray(ohm, dtype=np.float64)
    f = np.asarray(load_a, dtype=np.float64)
    tau = np.asarray(henry, dtype=np.float64) / r
    t = np.maximum(since_s, 0.0)
    # Held until the current reaches what the load takes.
    share = np.clip(f * r / u, 0.0, 0.999)
    breaks_s = -tau * np.log1p(-share)
    held_s = np.minimum(t, breaks_s)
    held_c = u / r * (held_s + tau * np.expm1(-held_s / tau))
    free_s = t - held_s
    free_c = _charge_over_load(free_s, u - r * f, r, tau * r, np.asarray(farad))
    total: FloatArray = held_c + f * free_s + free_c
    return total


def _charge_over_load(
    t: FloatArray, drop: FloatArray, r: FloatArray, henry: FloatArray, farad: FloatArray
) -> FloatArray:
    """Return the integral of y: drop/L (exp(s1 t) - exp(s2 t))/(s1 - s2), integrated."""
    half = r / (2.0 * henry)
    root = np.sqrt(np.asarray(half**2 - 1.0 / (henry * farad), dtype=np.complex128))
    # Equal roots are a hair apart: the limit is as good as reached.
    root = np.where(np.abs(root) < 1e-6 * half, 1e-6 * half, root)
    # The small root by Vieta's rule: half - root loses its digits where the inductance is small.
    quick = -(half + root)
    slow = 1.0 / (henry * farad) / quick
    parts = np.expm1(slow * t) / slow - np.expm1(quick * t) / quick
    integral: FloatArray = np.real(drop / henry * parts / (2.0 * root))
    return integral
