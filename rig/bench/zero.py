"""A current sensor's zero: what it reads with nothing fed, and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.quality.decision import COVERAGE

# Readings are no independent draws: hum and drift last longer than one of them.  So the mean's
# scatter is taken from the means of this many blocks in a row, which holds as long as whatever
# disturbs has been round within a block.
BLOCKS = 16


@dataclass(frozen=True, slots=True)
class Zero:
    """Mean (A), its expanded uncertainty (A, k = 2), and a single reading's scatter (A)."""

    mean_a: float
    u_a: float
    noise_a: float


def zero_of(current_a: NDArray[np.float64], step_a: float) -> Zero | None:
    """Return the zero of readings in a row; ``step_a`` is the sensor's step (A).

    NaN are left out.  None if fewer than two readings a block are left.  The standard uncertainty
    is the scatter of the blocks' means, not less than that of independent readings, with the
    step's own (step / sqrt(12): a sensor without noise shows nothing of what is within a step).
    """
    values = current_a[np.isfinite(current_a)]
    if len(values) < 2 * BLOCKS:
        return None
    size = len(values) // BLOCKS
    means = values[: size * BLOCKS].reshape(BLOCKS, size).mean(axis=1)
    noise_a = float(values.std(ddof=1))
    blocks_u_a = float(means.std(ddof=1)) / math.sqrt(BLOCKS)
    single_u_a = noise_a / math.sqrt(len(values))
    u_a = math.hypot(max(blocks_u_a, single_u_a), step_a / math.sqrt(12))
    return Zero(float(values.mean()), COVERAGE * u_a, noise_a)
