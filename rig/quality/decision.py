"""By which rule a measured value passes or fails a limit, in the terms of JCGM 106:2012.

A tolerance limit is what the plan allows.  An acceptance limit lies a guard band w inside it
(guarded acceptance), on it (simple acceptance) or outside it (guarded rejection).  Arithmetic only;
nothing of the program is imported here, for `rig.analysis` rests on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

COVERAGE = 2.0
"""k of the expanded uncertainties that limits are compared with: about 95 %."""

_NORMAL = NormalDist()


class Rule(StrEnum):
    """How a value is held against a limit."""

    GUARDED = "guarded"
    SIMPLE_ACCEPTANCE = "simple_acceptance"
    GUARDED_ACCEPTANCE = "guarded_acceptance"
    GUARDED_REJECTION = "guarded_rejection"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """A rule and the width of its guard band.

    w = ``guard_factor`` times U; with ``risk`` instead just so wide that a value on the acceptance
    limit is on the wrong side of the tolerance limit with this probability (0 to 0.5).
    """

    rule: Rule = Rule.GUARDED
    guard_factor: float = 1.0
    risk: float | None = None

    @property
    def factor(self) -> float:
        """The guard band in parts of U."""
        if self.rule is Rule.SIMPLE_ACCEPTANCE:
            return 0.0
        if self.risk is not None:
            return -_NORMAL.inv_cdf(self.risk) / COVERAGE
        return self.guard_factor

    def guard_band(self, expanded_u: float) -> float:
        """Return w for an expanded uncertainty, both in the value's unit."""
        return self.factor * abs(expanded_u)

    def acceptance_limit(self, limit: float, expanded_u: float, *, is_upper: bool) -> float:
        """Return the value from which on (outwards) a limit's check does not pass."""
        if self.rule is Rule.GUARDED_REJECTION:
            return self._outside(limit, expanded_u, is_upper=is_upper)
        return self._outside(limit, -expanded_u, is_upper=is_upper)

    def rejection_limit(self, limit: float, expanded_u: float, *, is_upper: bool) -> float:
        """Return the value from which on (outwards) a limit's check fails."""
        if self.rule is Rule.GUARDED:
            return self._outside(limit, expanded_u, is_upper=is_upper)
        return self.acceptance_limit(limit, expanded_u, is_upper=is_upper)

    def _outside(self, limit: float, signed_u: float, *, is_upper: bool) -> float:
        width = math.copysign(self.guard_band(signed_u), signed_u)
        return limit + width if is_upper else limit - width

    def passes(
        self, value: float, expanded_u: float, low: float | None, high: float | None
    ) -> bool | None:
        """Return whether a value passes its limits (None: no limit): None if it is left open.

        Only the rule `GUARDED` leaves anything open: what is nearer to a limit than its guard
        band.  Raises ValueError if value or uncertainty is not finite.
        """
        if not (math.isfinite(value) and math.isfinite(expanded_u)):
            raise ValueError("a value without a finite uncertainty cannot be decided on")
        w = self.guard_band(expanded_u)
        if self.rule is Rule.GUARDED:
            if (high is not None and value - w > high) or (low is not None and value + w < low):
                return False
            inside = (high is None or value + w < high) and (low is None or value - w > low)
            return True if inside else None
        inwards = -w if self.rule is Rule.GUARDED_REJECTION else w
        return (high is None or value + inwards <= high) and (low is None or value - inwards >= low)

    def words(self) -> str:
        """Return the rule in a sentence or two, for a sheet, a record or a screen."""
        return f"{_WORDS[self.rule].format(w=self._width_words())} (JCGM 106:2012)."

    def _width_words(self) -> str:
        if self.risk is not None:
            share = f"{100.0 * self.risk:.3g} %"
            return (
                f"guard band w = {self.factor:.3g} U, for a risk of at most {share} at its edge, "
                "as to that one limit"
            )
        return f"guard band w = {'' if self.guard_factor == 1.0 else f'{self.guard_factor:g} '}U"


_K = "U is the expanded uncertainty, k = 2"
_WORDS = {
    Rule.GUARDED: (
        "Pass if every limit is met by more than w, fail if one is broken by more than w, else "
        f"retest; {{w}}. {_K}: guarded acceptance and guarded rejection"
    ),
    Rule.SIMPLE_ACCEPTANCE: (
        "Pass if the measured value is within every limit, else fail; no guard band. The risk of a "
        f"wrong decision near a limit is shared. {_K}: simple acceptance"
    ),
    Rule.GUARDED_ACCEPTANCE: (
        "Pass if the measured value is inside every limit by w or more, else fail; {w}. "
        f"{_K}: guarded acceptance"
    ),
    Rule.GUARDED_REJECTION: (
        "Fail if the measured value is beyond a limit by more than w, else pass; {w}. "
        f"{_K}: guarded rejection"
    ),
}

DEFAULT_RULE = DecisionRule()
"""What holds where a plan names no rule."""


def conformance(
    value: float, standard_u: float, low: float | None = None, high: float | None = None
) -> float:
    """Return the probability that the true value lies within the limits (None: no limit), 0 to 1.

    The measured value and its standard uncertainty are all that is known of it, so it is taken as
    normal about the value (JCGM 106:2012, from memory).  Without uncertainty it is 0 or 1.
    """
    if standard_u <= 0.0:
        return float((high is None or value <= high) and (low is None or value >= low))
    if low is not None and high is not None and high < low:
        return 0.0

    def below(limit: float) -> float:
        return 0.5 * math.erfc((value - limit) / (standard_u * math.sqrt(2.0)))

    def above(limit: float) -> float:
        return 0.5 * math.erfc((limit - value) / (standard_u * math.sqrt(2.0)))

    if low is None:
        return 1.0 if high is None else below(high)
    if high is None:
        return above(low)
    # Differences of the smaller tails, which keep their digits far from the limits.
    if value > high:
        return below(high) - below(low)
    if value < low:
        return above(low) - above(high)
    return 1.0 - below(low) - above(high)
