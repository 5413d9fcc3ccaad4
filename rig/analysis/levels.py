"""Robust levels and noise of short stretches of samples."""

from __future__ import annotations

import math

import numpy as np

from rig.analysis.trace import FloatArray

# A median needs no more than this many samples to be as good as the noise lets it (guess).
ENOUGH = 512
# Normal distribution: median absolute deviation and mean absolute deviation to sigma.
MAD_TO_SIGMA = 1.4826
MEAN_TO_SIGMA = 1.2533
MEDIAN_SCATTER = 1.2533


def thinned(values: FloatArray, most: int = ENOUGH) -> FloatArray:
    """Return every k-th value so that about ``most`` are left."""
    return values[:: len(values) // most] if len(values) >= 2 * most else values


def median(values: FloatArray) -> float:
    """Return the median; NaN of nothing.  Faster than `numpy.median` on a few hundred values."""
    n = len(values)
    if n == 0:
        return float("nan")
    half = n // 2
    parted = values.copy()
    parted.partition(half)  # the method: half the overhead of numpy.partition
    upper = float(parted[half])
    return upper if n % 2 else 0.5 * (upper + float(parted[:half].max()))


def level(values: FloatArray) -> float:
    """Return the median of a stretch of any length."""
    return median(thinned(values))


def level_u(values: FloatArray, centre: float) -> float:
    """Return the standard uncertainty that scatter leaves `level` with.

    The median of normal values scatters 1.25 times as much as their mean (root of pi / 2).
    """
    if len(values) == 0:
        return 0.0
    return MEDIAN_SCATTER * noise(values, centre) / math.sqrt(len(thinned(values)))


def noise(values: FloatArray, centre: float) -> float:
    """Return the standard deviation of ``values`` about ``centre``, deaf to spikes.

    Where most samples are one and the same code the median deviation is nil although the last
    digit moves; the mean deviation then speaks.
    """
    if len(values) < 2:
        return 0.0
    off = np.abs(thinned(values) - centre)
    mad = MAD_TO_SIGMA * median(off)
    return mad if mad > 0.0 else MEAN_TO_SIGMA * float(off.mean())


def median3(values: FloatArray) -> FloatArray:
    """Return the running median of three: single spikes vanish, edges stay where they are."""
    if len(values) < 3:
        return values
    a, b, c = values[:-2], values[1:-1], values[2:]
    out = values.copy()
    out[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    # No neighbour on the outer side: a spike there is pulled to its own neighbour's filtered value.
    out[0] = out[1] if abs(values[0] - out[1]) > abs(values[1] - values[2]) else values[0]
    out[-1] = out[-2] if abs(values[-1] - out[-2]) > abs(values[-2] - values[-3]) else values[-1]
    return out


def running_mean(values: FloatArray, width: int) -> FloatArray:
    """Return the centred running mean over ``width`` samples, narrower at both ends."""
    n = len(values)
    if width <= 1 or n == 0:
        return values
    total = np.concatenate(([0.0], np.cumsum(values)))
    middle = np.arange(n)
    low = np.maximum(middle - width // 2, 0)
    high = np.minimum(middle + (width - width // 2), n)
    means: FloatArray = (total[high] - total[low]) / (high - low)
    return means
