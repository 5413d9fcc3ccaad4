"""An uncertainty budget: components of known size and kind, combined as JCGM 100:2008 (GUM) says.

Every component has a spread (half the width of what its source allows, or a standard deviation), a
divisor that its distribution gives, and a sensitivity: by how much the result moves for one unit of
it.  Components are independent: those that are not must be put together before they come here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

LEVEL = math.erf(math.sqrt(2.0))
"""The level of confidence of every expanded uncertainty, 95.45 %: k is 2 where nothing rests on
few readings (common practice of calibration certificates; JCGM 100:2008, G.6.4, from memory)."""


class Source(StrEnum):
    """Where the size of a component comes from."""

    DATA_SHEET = "data sheet"
    DECLARED = "declared"
    MEASURED = "measured"
    CALIBRATION = "calibration"
    GUESS = "guess"


class Shape(StrEnum):
    """How a component's values are distributed."""

    RECTANGULAR = "rectangular"
    NORMAL = "normal"


DIVISORS = {
    Shape.RECTANGULAR: math.sqrt(3.0),
    Shape.NORMAL: 1.0,
}
"""Half width over standard deviation (JCGM 100:2008, 4.3.7); a normal distribution is
given by its standard deviation."""


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to a budget.

    ``spread`` in ``unit``: a half width, or of a normal distribution its standard deviation.
    ``sensitivity`` in the result's unit per ``unit``.  ``by_readings`` tells type A, evaluated from
    readings, from type B.  ``dof`` degrees of freedom (infinite: the spread is beyond doubt).
    ``remedy`` is what would make it smaller, a phrase after "to do better:".
    """

    name: str
    spread: float
    unit: str
    shape: Shape
    source: Source
    sensitivity: float = 1.0
    by_readings: bool = False
    dof: float = math.inf
    remedy: str = ""

    @property
    def kind(self) -> str:
        """The type of its evaluation, A or B (JCGM 100:2008, 4.2 and 4.3)."""
        return "A" if self.by_readings else "B"

    @property
    def divisor(self) -> float:
        """What its spread is divided by to get its standard uncertainty."""
        return DIVISORS[self.shape]

    @property
    def standard_u(self) -> float:
        """Its standard uncertainty, in its own unit."""
        return abs(self.spread) / self.divisor

    @property
    def contribution(self) -> float:
        """Its standard uncertainty in the result, in the result's unit."""
        return abs(self.sensitivity) * self.standard_u

    def scaled(self, factor: float) -> Component:
        """Return it with its sensitivity multiplied."""
        return replace(self, sensitivity=self.sensitivity * factor)


@dataclass(frozen=True, slots=True)
class Budget:
    """All components of one result: ``quantity`` in words, ``value`` and ``unit``."""

    quantity: str
    value: float
    unit: str
    components: tuple[Component, ...]

    @property
    def standard_u(self) -> float:
        """The combined standard uncertainty (JCGM 100:2008, equation 10)."""
        return root_sum_square(self.components)

    @property
    def dof(self) -> float:
        """The effective degrees of freedom (Welch-Satterthwaite; JCGM 100:2008, equation G.2b)."""
        return effective_dof(self.components)

    @property
    def k(self) -> float:
        """The coverage factor of `LEVEL`."""
        return coverage_factor(self.dof)

    @property
    def expanded_u(self) -> float:
        """The expanded uncertainty, k times the combined standard uncertainty."""
        return self.k * self.standard_u

    def share(self, component: Component) -> float:
        """Return which part of the combined variance is a component's, 0 to 1."""
        total = self.standard_u
        return (component.contribution / total) ** 2 if total > 0.0 else 0.0

    @property
    def largest(self) -> Component | None:
        """The component with the largest share; None of an empty budget."""
        return max(self.components, key=lambda c: c.contribution, default=None)


def root_sum_square(components: Iterable[Component]) -> float:
    """Return independent components' combined standard uncertainty."""
    return math.hypot(*(c.contribution for c in components))


def effective_dof(components: Iterable[Component]) -> float:
    """Return the effective degrees of freedom of a sum, infinite if every component's are."""
    listed = tuple(components)
    total = root_sum_square(listed)
    if not total > 0.0:
        return math.inf
    below = math.fsum((c.contribution / total) ** 4 / c.dof for c in listed)
    return 1.0 / below if below > 0.0 else math.inf


def coverage_factor(dof: float, level: float = LEVEL) -> float:
    """Return k such that plus or minus k standard uncertainties hold the truth at ``level``.

    Student's t of the degrees of freedom, cut to a whole number (JCGM 100:2008, G.4.1 and G.6.4).
    Raises ValueError for less than one degree of freedom, or a level that is not between 0 and 1.
    """
    if not dof >= 1.0 or not 0.0 < level < 1.0:
        raise ValueError("a coverage factor needs one degree of freedom and a level within 0 to 1")
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + level)
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(math.floor(dof), upper))
