"""How often a decision rule decides wrongly: specific and global risks of JCGM 106:2012, clause 9.

The specific risk is that of one item whose value has been measured.  A global risk is that of a
next item of a production whose spread is known: the consumer's, that it passes and does not
conform; the producer's, that it conforms and is rejected.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from rig.quality.decision import conformance

Density = Callable[[float], float]
"""Probability density of a production's true values."""

# Normal densities are nil beyond so many standard deviations (1e-23 of them is left).
FAR = 10.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper limit, None where there is none."""

    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Production:
    """Where true values lie: ``density`` between ``low`` and ``high``, beyond which it is nil.

    ``breaks`` are places where it is sharp, for the integration.
    """

    density: Density
    low: float
    high: float
    breaks: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """``consumers``: passed and not conforming.  ``producers``: conforming and rejected.

    Both are parts of all items.  ``accepted`` is the part of all that passes.
    """

    consumers: float
    producers: float
    accepted: float

    @property
    def consumers_of_accepted(self) -> float:
        """The part of the accepted items that does not conform."""
        return self.consumers / self.accepted if self.accepted > 0.0 else 0.0


def normal_production(mean: float, sd: float) -> Production:
    """Return normally distributed true values; ValueError unless ``sd`` is above zero."""
    if not sd > 0.0:
        raise ValueError("a production's standard deviation is above zero")
    scale = 1.0 / (sd * math.sqrt(2.0 * math.pi))
    return Production(
        lambda x: scale * math.exp(-0.5 * ((x - mean) / sd) ** 2),
        mean - FAR * sd,
        mean + FAR * sd,
        (mean,),
    )


def log_normal_production(mean: float, sd: float) -> Production:
    """Return true values whose natural logarithms are normal with this mean and deviation.

    Raises ValueError unless ``sd`` is above zero.
    """
    logarithms = normal_production(mean, sd)
    return Production(
        lambda x: logarithms.density(math.log(x)) / x if x > 0.0 else 0.0,
        math.exp(logarithms.low),
        math.exp(logarithms.high),
        tuple(math.exp(mean + off * sd) for off in (-3.0, -1.0, 0.0, 1.0, 3.0)),
    )


def specific_consumers_risk(value: float, standard_u: float, tolerance: Limits) -> float:
    """Return the probability that an accepted item with this measured value does not conform."""
    return 1.0 - conformance(value, standard_u, tolerance.low, tolerance.high)


def specific_producers_risk(value: float, standard_u: float, tolerance: Limits) -> float:
    """Return the probability that a rejected item with this measured value conforms."""
    return conformance(value, standard_u, tolerance.low, tolerance.high)


def global_risk(
    production: Production, standard_u: float, tolerance: Limits, acceptance: Limits
) -> GlobalRisk:
    """Return the risks of accepting what is measured within ``acceptance``.

    As JCGM 106:2012, clause 9, has them (from memory): the production's density times the
    probability, normal about the true value with ``standard_u``, that it measures within the
    acceptance limits.
    """
    lowest, highest = production.low, production.high
    low = lowest if tolerance.low is None else min(max(tolerance.low, lowest), highest)
    high = highest if tolerance.high is None else max(min(tolerance.high, highest), lowest)

    def passing(x: float) -> float:
        return conformance(x, standard_u, acceptance.low, acceptance.high)

    def accepted(x: float) -> float:
        return production.density(x) * passing(x)

    def rejected(x: float) -> float:
        return production.density(x) * (1.0 - passing(x))

    edges = [limit for limit in (acceptance.low, acceptance.high) if limit is not None]
    places = [*production.breaks, *edges]
    places += [edge + off * standard_u for edge in edges for off in (-3.0, 3.0)]
    consumers = _integral(accepted, lowest, low, places) + _integral(
        accepted, high, highest, places
    )
    conforming = _integral(accepted, low, high, places)
    producers = _integral(rejected, low, high, places)
    return GlobalRisk(consumers, producers, consumers + conforming)


def _integral(of: Density, low: float, high: float, places: list[float]) -> float:
    """Integrate from place to place: a quadrature over all would miss what is narrow."""
    from scipy.integrate import quad

    marks = [low, *sorted({p for p in places if low < p < high}), high]
    return math.fsum(
        quad(of, begin, end, epsabs=1e-13, epsrel=1e-10)[0] for begin, end in pairwise(marks)
    )


def guard_band_for(
    production: Production, standard_u: float, tolerance: Limits, consumers_risk: float
) -> float:
    """Return the guard band (inwards, in the value's unit) that keeps the global consumer's risk.

    0 if simple acceptance keeps it already.  Raises ValueError for a risk that is not above zero,
    which no guard band keeps.
    """
    if not consumers_risk > 0.0:
        raise ValueError("no guard band keeps a risk of nothing at all")
    from scipy.optimize import brentq

    def over(width: float) -> float:
        inside = Limits(
            None if tolerance.low is None else tolerance.low + width,
            None if tolerance.high is None else tolerance.high - width,
        )
        return global_risk(production, standard_u, tolerance, inside).consumers - consumers_risk

    if over(0.0) <= 0.0:
        return 0.0
    most = FAR * standard_u
    if tolerance.low is not None and tolerance.high is not None:
        most = min(most, 0.5 * (tolerance.high - tolerance.low))
    return float(brentq(over, 0.0, most, xtol=1e-9 * max(most, 1e-9)))
