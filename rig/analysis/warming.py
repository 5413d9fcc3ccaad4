"""How much the copper losses ought to warm the winding, by the unit type's nominal heat data.

One body that loses its heat to the air: dT/dt = i2 R / heat - T / (heat x cooling).  The fit then
says how much of it the resistance truly shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp

import numpy as np

from rig.analysis.copper import PER_K
from rig.analysis.model import UnitType
from rig.analysis.trace import FloatArray
from rig.analysis.turned import Turned

# Of nominal heat data a unit differs by this part (standard, guess).
HEAT_U = 0.5


@dataclass(frozen=True, slots=True)
class Warming:
    """``start_k`` the predicted rise (K) at each drive's start, ``along_k`` along its samples.

    ``end_k`` the rise when the last drive had ended.
    """

    start_k: tuple[float, ...]
    along_k: tuple[FloatArray, ...]
    end_k: float


def predict_warming(drives: Sequence[Turned], unit: UnitType) -> Warming:
    """Return the rise over the temperature before the first of ``drives`` (K), nominal.

    Between traces whose times do not follow one another nothing is taken to cool.
    """
    lag_s = unit.heat_j_per_k * unit.cooling_k_per_w
    rise_k, ended_s = 0.0, float("nan")
    starts: list[float] = []
    along: list[FloatArray] = []
    for drive in drives:
        pause_s = float(drive.time_s[0]) - ended_s
        if pause_s > 0.0:
            rise_k *= exp(-pause_s / lag_s)
        time_s = drive.time_s - drive.time_s[0]
        # It warms little over one drive: the resistance is that of its begin.
        power_w = drive.current_a**2 * unit.winding_ohm * (1.0 + PER_K * rise_k)
        steps_k = 0.5 * np.diff(time_s) * (power_w[1:] + power_w[:-1]) / unit.heat_j_per_k
        # Cooling is slow against a drive: taken at the rate of its begin.
        samples_k = rise_k * np.exp(-time_s / lag_s) + np.concatenate(([0.0], np.cumsum(steps_k)))
        starts.append(rise_k)
        along.append(samples_k)
        rise_k, ended_s = float(samples_k[-1]), float(drive.time_s[-1])
    return Warming(tuple(starts), tuple(along), rise_k)
