"""One measured value against one limit: the comparison, and the check that it belongs to."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.analysis.model import Verdict
from rig.analysis.wording import amount, with_u
from rig.quality.decision import COVERAGE, DEFAULT_RULE, DecisionRule, conformance


def compare(
    value: float | None,
    u: float | None,
    low: float | None,
    high: float | None,
    rule: DecisionRule = DEFAULT_RULE,
) -> Verdict:
    """Judge a value with expanded uncertainty ``u`` against limits, by a rule; None is no limit.

    A value that is missing or not a number, or whose uncertainty is not known to be one, is a
    retest by every rule.
    """
    band = 0.0 if u is None else abs(u)
    if value is None or not (math.isfinite(value) and math.isfinite(band)):
        return Verdict.RETEST
    passes = rule.passes(value, band, low, high)
    if passes is None:
        return Verdict.RETEST
    return Verdict.PASS if passes else Verdict.FAIL


@dataclass(frozen=True, slots=True)
class Check:
    """A value, its limit, and how to speak of both.

    ``says`` is the verb phrase before the value ("took"), ``limit_at_v`` the voltage that the limit
    holds at, where it follows the voltage.  ``limit_u`` is the limit's own expanded uncertainty,
    where it follows a measured voltage.  ``is_count`` is a whole number: at the limit it is met.
    ``of_rig`` says what to look at where a violation is the feed's doing: never a fail; ``doubt``
    why a limit that was kept may have been kept by the feed's doing alone: never a pass.  ``rule``
    decides.
    """

    measure: str
    label: str
    says: str
    value: float | None
    u: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    limit_at_v: float | None = None
    is_count: bool = False
    limit_u: float = 0.0
    of_rig: str = ""
    doubt: str = ""
    rule: DecisionRule = DEFAULT_RULE

    @property
    def verdict(self) -> Verdict:
        """The verdict of this check alone."""
        if self.is_count and self.value is not None and self.high is not None:
            return Verdict.PASS if self.value <= self.high else Verdict.FAIL
        found = self._found
        if (self.of_rig and found is Verdict.FAIL) or (self.doubt and found is Verdict.PASS):
            return Verdict.RETEST
        return found

    @property
    def expanded_u(self) -> float:
        """What the value is uncertain by against its limit, the limit's own included."""
        return self.limit_u if self.u is None else math.hypot(self.u, self.limit_u)

    @property
    def _found(self) -> Verdict:
        return compare(self.value, self.expanded_u, self.low, self.high, self.rule)

    @property
    def conformance(self) -> float | None:
        """The probability that the true value keeps the limits; None if nothing is known of it."""
        if self.value is None or not math.isfinite(self.value + self.expanded_u):
            return None
        u = 0.0 if self.is_count else self.expanded_u / COVERAGE
        return conformance(self.value, u, self.low, self.high)

    @property
    def margin(self) -> float:
        """Distance to the nearest limit as a part of it; negative when violated."""
        if self.value is None:
            return -math.inf
        scale = max(abs(x) for x in (self.low, self.high, 1e-12) if x is not None)
        room = math.inf
        if self.high is not None:
            room = min(room, self.high - self.value)
        if self.low is not None:
            room = min(room, self.value - self.low)
        return room / scale

    @property
    def nearest(self) -> float | None:
        """The limit that is nearest to the value, or violated."""
        if self.low is None or self.high is None or self.value is None:
            return self.high if self.low is None else self.low
        return self.high if self.high - self.value < self.value - self.low else self.low

    def shown(self) -> str:
        """Return the value with its uncertainty and unit."""
        if self.value is None:
            return "not known"
        if self.is_count:
            return "once" if self.value == 1 else f"{self.value:.0f} times"
        return with_u(self.value, self.u, self.unit)

    def allowed(self) -> str:
        """Return what is allowed, as it stands in a sentence: "allowed at 12.1 V: at most 1.2 s".

        A side that has a limit is told with the word that says which it is; two sides are a range.
        """
        at = "" if self.limit_at_v is None else f" at {self.limit_at_v:.1f} V"
        return f"allowed{at}: {self._shown_limit()}"

    def _shown_limit(self) -> str:
        if self.low is not None and self.high is not None:
            return f"{self._limit(self.low)} to {self._limit(self.high)}"
        if self.high is not None:
            return f"at most {self._limit(self.high)}"
        return "anything" if self.low is None else f"at least {self._limit(self.low)}"

    def _limit(self, limit: float) -> str:
        return f"{limit:.0f}" if self.is_count else with_u(limit, self.limit_u, self.unit)

    def is_told_in(self, text: str) -> bool:
        """Tell whether a sentence about this measure, of this program or an older one, has it."""
        if self.value is None:
            return "could not be measured" in text
        return any(f" {self.shown()}{mark}" in text for mark in ";,")

    def sentence(self, who: str) -> str:
        """Return a whole sentence about ``who``, verdict included where it is not a pass."""
        if self.value is None:
            own = f"The {self.label}"
            what = own if who == own else f"{who}: the {self.label}"
            return f"{what} could not be measured. Test again."
        text = f"{who} {self.says} {self.shown()}; {self.allowed()}"
        if self.of_rig and self._found is Verdict.FAIL:
            return f"{text}. {self.of_rig}"
        if self.doubt and self._found is Verdict.PASS:
            return f"{text}. {self.doubt}"
        if self.verdict is Verdict.RETEST:
            return f"{text}, too close to tell. Test again."
        if self.verdict is Verdict.FAIL and self.margin >= 0.0 and not self.is_count:
            band = amount(self.rule.guard_band(self.expanded_u), self.unit)
            return f"{text}, and the plan asks for {band} of distance from that."
        return f"{text}."
