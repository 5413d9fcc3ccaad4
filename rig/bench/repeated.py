"""How often a step was done, and what that cleared: told with the verdict."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from rig.analysis.model import REPEATED, Reason, Verdict

_TOLD = 3  # doubts told in full: a verdict is read, the rest is in the record


@dataclass
class Repeated:
    """A step that was done more than once; ``step`` names it at the start of a sentence.

    ``doubts`` are those of the times before the last; ``times`` counts what was begun.
    ``failed``: one of these failed the unit, which stays.  ``settled``: the last time came to its
    end.
    """

    step: str
    times: int = 1
    doubts: list[Reason] = field(default_factory=list)
    failed: bool = False
    settled: bool = False

    def once_more(self, found: Sequence[Reason]) -> None:
        """Take note that the step is begun again although it gave these reasons."""
        self.times += 1
        self.settled = False
        self.failed = self.failed or any(r.verdict is Verdict.FAIL for r in found)
        self.doubts.extend(reason for reason in found if reason.verdict is Verdict.RETEST)

    def settle(self, found: Sequence[Reason]) -> None:
        """Take note of what the last time gave: what is still in doubt or failed is not cleared."""
        open_still = {reason.measure for reason in found if reason.verdict is not Verdict.PASS}
        self.doubts = [doubt for doubt in self.doubts if doubt.measure not in open_still]
        self.settled = True

    def reason(self) -> Reason:
        """Return what the verdict tells of it."""
        return Reason(Verdict.PASS, self._text(), REPEATED)

    def _text(self) -> str:
        begun = f"{self.step} was begun {_times(self.times)}"
        if not self.settled:
            return f"{begun}; the last time was not carried through, so it cleared no doubt."
        done = f"{self.step} was done {_times(self.times)} and the last time counts"
        stays = " What failed before stays." if self.failed else ""
        if not self.doubts:
            return f"{done}; it cleared no doubt.{stays}"
        told = list(dict.fromkeys(_short(doubt.text) for doubt in self.doubts))
        more = f"; and {len(told) - _TOLD} more" if len(told) > _TOLD else ""
        return f"{done}. It cleared: {'; '.join(told[:_TOLD])}{more}.{stays}"


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"


def _short(text: str) -> str:
    """Return a reason's first sentence, to stand inside another."""
    first = re.split(r"(?<=[.?!]) (?=[A-Z])", text)[0].rstrip(".")
    return first[:1].lower() + first[1:]
