"""The table `[isolation]` of a plan: how a fault is isolated step by step.

Every plan can be used for it: what the table leaves out has a default.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from rig.analysis.faults.at_hand import THINGS
from rig.analysis.faults.causes import PRIORS
from rig.analysis.faults.confirm import CONFIRM_MOST_MIN
from rig.analysis.faults.guided import MINUTES, TESTS
from rig.schema import NameList, Number, Section, nearest, show
from rig.schema.kinds import Kind, refusal

DEFAULT_PLAN = "suspect"
"""The plan that guards an isolation if none is chosen; that of the command line too."""
CONFIDENCE = 0.95
"""A cause is named when it is as likely as this (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class NumberTable(Kind):
    """A table of numbers from ``low`` to ``high``, by names out of a catalogue; may be empty."""

    names: tuple[str, ...]
    low: float
    high: float
    unit: str
    what: str

    def _allowed(self) -> str:
        number = Number(self.low, self.high, self.unit).allowed
        return f"for each {self.what} {number}; the {self.what}s are {', '.join(self.names)}"

    def _sample(self) -> dict[str, float]:
        return {}

    def _check(self, value: Any) -> dict[str, float]:
        if not isinstance(value, dict):
            raise refusal(f"{show(value)} is not a table", self.allowed)
        number = Number(self.low, self.high, self.unit)
        wrongs = list(self._wrong(value, number))
        if wrongs:
            raise refusal("; ".join(wrongs), self.allowed)
        return {name: float(given) for name, given in value.items()}

    def _wrong(self, value: dict[Any, Any], number: Number) -> list[str]:
        wrongs = []
        for name, given in value.items():
            if name not in self.names:
                close = nearest(str(name), self.names)
                meant = f' (did you mean "{close}"?)' if close else ""
                wrongs.append(f"there is no {self.what} {show(str(name))}{meant}")
            elif not number.holds(given):
                wrongs.append(f"{name}: {show(given)} is not {number.allowed}")
        return wrongs


class IsolationSettings(Section):
    """How far an isolation goes and by what it chooses.

    It ends when one remedy is as likely as ``confidence``.  ``tests`` are those that may be
    proposed; ``minutes`` what each costs here, with the operator's work; ``priors`` how often each
    cause is met here, in parts of any whole, zero if never.  Names that are left out of the two
    tables keep the program's own values.  ``at_hand`` is what is on the jig or beside it every
    time; without it that is asked at the start.  What confirms a cause is proposed if it takes
    ``confirm_min`` (minutes) or less.
    """

    confidence: Annotated[float, Number(0.5, 0.999)] = CONFIDENCE
    confirm_min: Annotated[float, Number(0, 240, "minutes")] = CONFIRM_MOST_MIN
    at_hand: (
        Annotated[tuple[str, ...], NameList(tuple(THINGS), "things", may_be_empty=True)] | None
    ) = None
    tests: Annotated[tuple[str, ...], NameList(tuple(TESTS), "tests")] = tuple(TESTS)
    minutes: Annotated[
        dict[str, float], NumberTable(tuple(TESTS), 0.05, 240, "minutes", "test")
    ] = {}  # noqa: RUF012 - pydantic copies it
    priors: Annotated[dict[str, float], NumberTable(tuple(PRIORS), 0, 1000, "", "cause")] = {}  # noqa: RUF012 - as above

    def all_minutes(self) -> dict[str, float]:
        """Return what each test costs, minutes."""
        return {**MINUTES, **self.minutes}

    def all_priors(self) -> dict[str, float]:
        """Return how usual each cause is, in parts of their sum."""
        return {**PRIORS, **self.priors}
