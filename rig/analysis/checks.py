"""One measured value against one limit: the comparison, and the check that it belongs to."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.analysis.model import Verdict
from rig.analysis.wording import with_u


def compare(value: float | None, u: float | None, low: float | None, high: float | None) -> Verdict:
    """Judge a value with expanded uncertainty ``u`` against limits; None is no limit.

    Fail if a limit is violated by more than ``u``, pass if all are met by more than ``u``, else
    retest: the guard band on both sides of a limit is the expanded uncertainty (JCGM 106:2012,
    guarded acceptance and guarded rejection with w = U).  A value that is missing or not a
    number, or whose uncertainty is not known to be one, is a retest.
    """
    if value is None or not math.isfinite(value):
        return Verdict.RETEST
    band = 0.0 if u is None else abs(u)
    if not math.isfinite(band):
        return Verdict.RETEST
    if (high is not None and value - band > high) or (low is not None and value + band < low):
        return Verdict.FAIL
    meets_high = high is None or value + band < high
    meets_low = low is None or value - band > low
    return Verdict.PASS if meets_high and meets_low else Verdict.RETEST


@dataclass(frozen=True, slots=True)
class Check:
    """A value, its limit, and how to speak of both.

    ``says`` is the verb phrase before the value ("took"), ``limit_is`` what stands before the
    limit ("the limit at 12.1 V is").  ``limit_u`` is the limit's own expanded uncertainty, where
    it follows a measured voltage.  ``is_count`` is a whole number: at the limit it is met.
    ``of_rig`` says what to look at where a violation is the feed's doing: never a fail; ``doubt``
    why a limit that was kept may have been kept by the feed's doing alone: never a pass.
    """

    measure: str
    label: str
    says: str
    value: float | None
    u: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    limit_is: str = "the limit is"
    is_count: bool = False
    limit_u: float = 0.0
    of_rig: str = ""
    doubt: str = ""

    @property
    def verdict(self) -> Verdict:
        """The verdict of this check alone."""
        if self.is_count and self.value is not None and self.high is not None:
            return Verdict.PASS if self.value <= self.high else Verdict.FAIL
        band = None if self.u is None else math.hypot(self.u, self.limit_u)
        found = compare(self.value, band, self.low, self.high)
        if (self.of_rig and found is Verdict.FAIL) or (self.doubt and found is Verdict.PASS):
            return Verdict.RETEST
        return found

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

    def shown_limit(self) -> str:
        """Return the nearest limit with its unit."""
        limit = self.nearest
        if limit is None:
            return "none"
        if self.is_count:
            return f"{limit:.0f}"
        text = with_u(limit, self.limit_u, self.unit)
        if self.low is None or self.high is None:
            return text
        return f"{'at least' if limit == self.low else 'at most'} {text}"

    def sentence(self, who: str) -> str:
        """Return a whole sentence about ``who``, verdict included where it is not a pass."""
        if self.value is None:
            own = f"The {self.label}"
            what = own if who == own else f"{who}: the {self.label}"
            return f"{what} could not be measured. Test again."
        text = f"{who} {self.says} {self.shown()}; {self.limit_is} {self.shown_limit()}"
        if self.of_rig and compare(self.value, self.u, self.low, self.high) is Verdict.FAIL:
            return f"{text}. {self.of_rig}"
        if self.doubt and compare(self.value, self.u, self.low, self.high) is Verdict.PASS:
            return f"{text}. {self.doubt}"
        if self.verdict is Verdict.RETEST:
            return f"{text}, too close to tell. Test again."
        return f"{text}."
