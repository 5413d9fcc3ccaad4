"""Stroke profiles drawn by a random generator: what they spread by is known."""

from __future__ import annotations

import numpy as np

from rig.analysis.estimate import Estimate
from rig.analysis.model import Direction
from rig.analysis.stroke import StrokeProfile

ANGLE_DEG = np.arange(1.0, 180.0, 2.0)
NOISE_A = 0.02


def drawn(rng, shape_a: float, noise_a: float = NOISE_A) -> StrokeProfile:
    """A profile with a load of its own, a shape of its own over some 6 degrees, and noise."""
    window = np.hanning(7)
    shape = np.convolve(rng.standard_normal(len(ANGLE_DEG) + 20), window, "same")[10:-10]
    load_a = 1.5 + 0.2 * np.sin(np.radians(ANGLE_DEG)) + 0.1 * rng.standard_normal()
    load_a += shape_a * shape / np.sqrt((window**2).sum())
    load_a += noise_a * rng.standard_normal(len(ANGLE_DEG))
    load_a[:7] = np.nan  # the run-up
    return StrokeProfile(
        half_turn=1,
        direction=Direction.TO_RUN,
        angle_deg=ANGLE_DEG,
        speed_deg_per_s=np.full_like(ANGLE_DEG, 250.0),
        current_a=load_a + 1.0,
        load_a=load_a,
        load_u_a=np.full_like(ANGLE_DEG, noise_a),
        above_friction=True,
        nm_per_a=Estimate(1.0, 0.01, "N m/A"),
    )
