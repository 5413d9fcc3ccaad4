"""How often a decision rule decides wrongly: the global risks of JCGM 106:2012, clause 9.

They are those of a next item of a production whose spread is known: the consumer's, that it passes
and does not conform; the producer's, that it conforms and is rejected.  (That of one item whose
value has been measured is what its `conformance` leaves.)
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
