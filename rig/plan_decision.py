"""The table `[decision]` of a plan: by which rule values are held against its limits."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from rig.quality.decision import DEFAULT_RULE, DecisionRule, Rule
from rig.schema import Choice, Clash, Number, Section

_GUARDED = tuple(str(rule) for rule in Rule if rule is not Rule.SIMPLE_ACCEPTANCE)


class DecisionSettings(Section):
    """How a value near a limit is decided on (JCGM 106:2012); without the table as by default.

    The guard band is ``guard_factor`` times the expanded uncertainty; with ``risk`` instead as wide
    as keeps the chance that a value on the edge of it is on the wrong side of the limit.
    """

    rule: Annotated[str, Choice(tuple(str(rule) for rule in Rule))] = str(DEFAULT_RULE.rule)
    guard_factor: Annotated[float, Number(0, 3)] | None = None
    risk: Annotated[float, Number(0.0001, 0.5)] | None = None

    def as_rule(self) -> DecisionRule:
        """Return the rule."""
        factor = DEFAULT_RULE.guard_factor if self.guard_factor is None else self.guard_factor
        return DecisionRule(Rule(self.rule), factor, self.risk)


def clashes_of(decision: DecisionSettings) -> Iterator[Clash]:
    """Yield what contradicts in the table."""
    given = [name for name in ("guard_factor", "risk") if getattr(decision, name) is not None]
    if len(given) > 1:
        yield Clash(
            tuple(("decision", name) for name in given),
            "guard_factor and risk both say how wide the guard band is",
            "one of them",
        )
    elif given and Rule(decision.rule) is Rule.SIMPLE_ACCEPTANCE:
        yield Clash(
            (("decision", given[0]), ("decision", "rule")),
            "simple_acceptance has no guard band",
            f"no {given[0]}, or one of the rules {', '.join(_GUARDED)}",
        )
