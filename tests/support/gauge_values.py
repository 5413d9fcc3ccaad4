"""Values of gauge studies."""

import numpy as np

from rig.quality.gauge_study import Reading


def readings(values):
    """Return an array by part, operator and trial as readings."""
    return [
        Reading(f"P{p}", f"O{o}", t + 1, float(value))
        for (p, o, t), value in np.ndenumerate(np.asarray(values))
    ]


def drawn(rng, p, o, r, part, operator, mixed, noise):
    """Values of a gauge whose components are known (standard deviations)."""
    return (
        10.0
        + rng.normal(0, part, (p, 1, 1))
        + rng.normal(0, operator, (1, o, 1))
        + rng.normal(0, mixed, (p, o, 1))
        + rng.normal(0, noise, (p, o, r))
    )
