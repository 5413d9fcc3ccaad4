"""Does a sample look normal?  Tests that can only speak against it, and the plot to look at.

Shapiro and Wilk's W (Biometrika 52, 1965; by SciPy after Royston), the correlation of the normal
probability plot (NIST/SEMATECH e-Handbook 1.3.3.21, with Filliben's medians), skewness, and
Grubbs' test for one value that stands apart (e-Handbook 1.3.5.17.1).  A small sample that looks
normal has shown little: W misses most that is not normal below some twenty values.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

DOUBT_P, REFUSE_P = 0.05, 0.01
"""Below these p normality is in doubt, and refused.  A plan limits some ten quantities: refused at
0.05, two sets of good units in five would meet it by chance alone."""

ALPHA = 0.05
"""So many normal samples have a value that is told to stand apart (common practice)."""

LEAST = 3
"""W is not defined for fewer values."""

SMALL = 20
"""Fewer values say little for normality, whatever p they give (guess)."""


@dataclass(frozen=True, slots=True)
class Outlier:
    """The value farthest from the mean: where it stands in the sample, Grubbs' G and its limit."""

    at: int
    value: float
    g: float
    critical: float

    @property
    def stands_apart(self) -> bool:
        """Whether it is farther out than chance would give, if the rest is normal."""
        return self.g > self.critical


@dataclass(frozen=True, slots=True)
class Look:
    """What a sample looks like.

    ``w`` and ``p`` are Shapiro and Wilk's; ``correlation`` that of the probability plot;
    ``skewness`` the adjusted one (0 for a symmetrical sample).  ``step`` is the least that
    values are apart where they come in ``distinct`` steps too coarse to say anything of a
    distribution, and 0 where they do not.
    """

    count: int
    distinct: int
    step: float
    w: float
    p: float
    correlation: float
    skewness: float
    farthest: Outlier

    @property
    def refused(self) -> bool:
        """Whether the sample cannot be taken for normal."""
        return self.p < REFUSE_P

    @property
    def doubtful(self) -> bool:
        """Whether it speaks against a normal distribution, and not enough to refuse it."""
        return REFUSE_P <= self.p < DOUBT_P

    @property
    def in_steps(self) -> bool:
        """Whether the values come in steps; W is not made for such."""
        return self.step > 0.0


def look(values: Sequence[float]) -> Look:
    """Return how ``values`` look; ValueError if there are under three, or all are equal."""
    sample = _sample(values)
    scaled = (sample - sample.mean()) / sample.std(ddof=1)
    from scipy.stats import shapiro

    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore"
        )  # above 5000 values p is rough, and small for less than this
        w, p = shapiro(scaled)
    return Look(
        len(sample),
        *_steps(np.sort(sample)),
        float(w),
        float(p),
        _correlation(np.sort(scaled)),
        skewness_of(scaled),
        farthest_of(values),
    )


def farthest_of(values: Sequence[float], *, above: bool = False, alpha: float = ALPHA) -> Outlier:
    """Return the value farthest from the mean (``above`` it only), by Grubbs' test.

    The limit is for looking on both sides, or, with ``above``, on that side alone.
    """
    sample = _sample(values)
    count = len(sample)
    away = sample - sample.mean()
    at = int(np.argmax(away if above else np.abs(away)))
    g = abs(float(away[at])) / float(sample.std(ddof=1))
    tail = alpha / (count if above else 2 * count)
    t_sq = float(stdtrit(count - 2, 1.0 - tail)) ** 2
    critical = (count - 1) / sqrt(count) * sqrt(t_sq / (count - 2 + t_sq))
    return Outlier(at, float(sample[at]), g, critical)


def plot_places(count: int) -> NDArray[np.float64]:
    """Return where ``count`` sorted values belong on the normal axis: Filliben's medians."""
    order = np.arange(1, count + 1, dtype=np.float64)
    medians = (order - 0.3175) / (count + 0.365)
    medians[-1] = exp(log(0.5) / count)
    medians[0] = 1.0 - medians[-1]
    return np.asarray(ndtri(medians), dtype=np.float64)


def _steps(ordered: NDArray[np.float64]) -> tuple[int, float]:
    """Return how many different values there are, and the step they come in (0: in none).

    In steps: half as many as there are values at most, each as good as one (a tenth of the
    standard deviation) and well apart from the next (a quarter).  Of normal samples hardly one in
    a thousand looks so (simulated in the tests).
    """
    sd = float(ordered.std(ddof=1))
    groups = np.split(ordered, np.flatnonzero(np.diff(ordered) > 0.25 * sd) + 1)
    means = [float(group.mean()) for group in groups]
    if 2 * len(groups) > len(ordered) or max(float(np.ptp(group)) for group in groups) > 0.1 * sd:
        return len(set(ordered.tolist())), 0.0
    return len(groups), float(np.diff(means).min())


def _correlation(scaled: NDArray[np.float64]) -> float:
    return float(np.corrcoef(plot_places(len(scaled)), scaled)[0, 1])


def skewness_of(sample: NDArray[np.float64]) -> float:
    """Return the adjusted skewness (G1) of three or more values that are not all alike."""
    n, away = len(sample), sample - sample.mean()
    return n / ((n - 1.0) * (n - 2.0)) * float(np.sum((away / sample.std(ddof=1)) ** 3))


def _sample(values: Sequence[float]) -> NDArray[np.float64]:
    if not all(isfinite(value) for value in values):
        raise ValueError("a look at the distribution needs finite values")
    sample = np.array(values, dtype=np.float64)
    if len(sample) < LEAST:
        raise ValueError(f"a look at the distribution needs {LEAST} values, not {len(sample)}")
    if not sample.std(ddof=1) > 1e-12 * abs(float(sample.mean())):
        raise ValueError("all values are the same, so they have no distribution")
    return sample
