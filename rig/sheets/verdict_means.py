"""What a verdict means, in a sentence that is true by the rule it was made by."""

from __future__ import annotations

from collections.abc import Mapping

from rig.analysis.model import Verdict
from rig.quality.decision import DecisionRule, Rule

NOT_KNOWN = "This program does not know the verdict in the record."

_OR = "or the unit did not do what it is for."
_PASS = {
    Rule.GUARDED: "Every limit of the plan was met by more than {w}.",
    Rule.SIMPLE_ACCEPTANCE: "Every measured value was within the limits of the plan; none of what "
    "the measurement is uncertain by is taken off.",
    Rule.GUARDED_ACCEPTANCE: "Every limit of the plan was met by {w} or more.",
    Rule.GUARDED_REJECTION: "No limit of the plan was broken by more than {w}. A value may lie "
    "beyond its limit by less.",
}
_FAIL = {
    Rule.GUARDED: f"At least one limit was broken by more than {{w}}, {_OR}",
    Rule.SIMPLE_ACCEPTANCE: f"At least one measured value was beyond its limit, {_OR}",
    Rule.GUARDED_ACCEPTANCE: f"At least one limit was not met by {{w}} or more, {_OR} A value may "
    "lie within its limit by less.",
    Rule.GUARDED_REJECTION: f"At least one limit was broken by more than {{w}}, {_OR}",
}
_NOT = "was not measured, or was a fault of the rig. This is no pass."
_RETEST = dict.fromkeys(Rule, f"Neither fit nor unfit: something {_NOT}") | {
    Rule.GUARDED: f"Neither fit nor unfit: something was too close to a limit to tell, {_NOT}"
}
_BY_RULE: Mapping[Verdict, Mapping[Rule, str]] = {
    Verdict.PASS: _PASS,
    Verdict.FAIL: _FAIL,
    Verdict.RETEST: _RETEST,
}
_BY_NO_RULE = {
    Verdict.PASS: "The unit passed by the rule of its plan, which this program cannot read.",
    Verdict.FAIL: "The unit failed by the rule of its plan, which this program cannot read.",
    Verdict.RETEST: "Neither fit nor unfit by the rule of its plan, which this program cannot "
    "read. This is no pass.",
}


def verdict_sentence(verdict: Verdict, rule: DecisionRule | None) -> str:
    """Return what a verdict means by ``rule``; None: its plan can no longer be read."""
    if verdict not in _BY_RULE:
        return NOT_KNOWN
    if rule is None:
        return _BY_NO_RULE[verdict]
    return _BY_RULE[verdict][rule.rule].format(w=_guard_band(rule))


def _guard_band(rule: DecisionRule) -> str:
    if rule.factor == 1.0:
        return "the measurement is uncertain by"
    return f"{rule.factor:.3g} times what the measurement is uncertain by"
