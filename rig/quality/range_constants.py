"""Constants of ranges and standard deviations of small normal samples, computed, not typed in.

For n independent standard normal values with range W (Tippett, Biometrika 17, 1925): ``d2`` is the
mean of W, ``d3`` its standard deviation; ``c4`` is the mean of the sample standard deviation.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, lgamma, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

_REACH, _STEP = 8.4, 0.02  # of the trapezoid rule, in standard deviations: good to 1e-7


@lru_cache(maxsize=64)
def d2(n: int) -> float:
    """Return the mean range of ``n`` standard normal values."""
    return _range_moments(n)[0]


@lru_cache(maxsize=64)
def d3(n: int) -> float:
    """Return the standard deviation of the range of ``n`` standard normal values."""
    mean, square = _range_moments(n)
    return sqrt(square - mean * mean)


def d2_star(n: int, subgroups: int = 1) -> float:
    """Return what estimates sigma without bias of its square from ``subgroups`` mean ranges.

    sqrt(d2^2 + d3^2 / subgroups) (Patnaik, Biometrika 37, 1950; from memory, and it gives the
    published table).
    """
    return sqrt(d2(n) ** 2 + d3(n) ** 2 / subgroups)


def c4(n: int) -> float:
    """Return the mean sample standard deviation of ``n`` standard normal values."""
    _need(n)
    return sqrt(2.0 / (n - 1)) * exp(lgamma(n / 2.0) - lgamma((n - 1) / 2.0))


def range_limits(n: int, sigmas: float = 3.0) -> tuple[float, float]:
    """Return the limits of a chart of ranges as shares of the mean range (D3, D4 for 3 sigma)."""
    reach = sigmas * d3(n) / d2(n)
    return max(0.0, 1.0 - reach), 1.0 + reach


@lru_cache(maxsize=64)
def _range_moments(n: int) -> tuple[float, float]:
    _need(n)
    x = np.arange(-_REACH, _REACH + _STEP / 2, _STEP)
    below = ndtr(x)
    mean = float(np.sum(1.0 - (1.0 - below) ** n - below**n) * _STEP)
    # The triangle's edge costs a term in the step's square, which two steps cancel (Richardson).
    coarse, fine = _mean_square(n, 2 * _STEP), _mean_square(n, _STEP)
    return mean, (4.0 * fine - coarse) / 3.0


def _mean_square(n: int, step: float) -> float:
    """Return E[W^2]: twice the integral over x < y of P(smallest < x and y < largest)."""
    below = ndtr(np.arange(-_REACH, _REACH + step / 2, step))
    lowest: NDArray[np.float64] = below[:, None]
    highest: NDArray[np.float64] = below[None, :]
    both = 1.0 - highest**n - (1.0 - lowest) ** n + np.maximum(highest - lowest, 0.0) ** n
    weight = np.triu(np.ones_like(both), 1) + 0.5 * np.eye(len(below))
    return 2.0 * float(np.sum(both * weight)) * step * step


def _need(n: int) -> None:
    if not 2 <= n <= 100:
        raise ValueError(f"a range needs 2 to 100 values, not {n}")
