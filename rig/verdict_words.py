"""A verdict's reasons as sentences, one for each thing that was wrong."""

from __future__ import annotations

from dataclasses import replace

from rig.analysis.model import REPEATED, Judgement, Reason, Verdict
from rig.contract import deciding


def verdict_sentences(judgement: Judgement) -> list[Reason]:
    """Return the deciding reasons, one for each thing that was wrong.

    Where the same measure is wrong on many half-turns, the first is told in full and the others
    are counted; all of them are in the record and in ``--json``.  What was done more than once is
    told last, whatever the verdict.
    """
    told = deciding(judgement)
    if judgement.verdict is not Verdict.PASS:
        told += [reason for reason in judgement.reasons if reason.measure == REPEATED]
    groups: dict[tuple[object, ...], list[Reason]] = {}
    for number, reason in enumerate(told):
        alike = (reason.verdict, *_about(reason)) if reason.half_turn else (number,)
        groups.setdefault(alike, []).append(reason)
    return [replace(group[0], text=_told(group)) for group in groups.values()]


def _about(reason: Reason) -> tuple[str, ...]:
    """What is wrong, without the half-turn: outcomes are different things under one name."""
    if reason.measure != "outcome":
        return (reason.measure,)
    _, _, says = reason.text.partition(") ")
    return reason.measure, says.partition(".")[0]


def _told(group: list[Reason]) -> str:
    first, *others = group
    if not others:
        return first.text
    numbers = ", ".join(str(reason.half_turn) for reason in others)
    return f"{first.text} The same on half-turn{'s' if len(others) > 1 else ''} {numbers}."
