"""What is said of a whole lot on its report: by the sample that judges it, or in a sentence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rig.lots.words import (
    END_WORDS,
    EVENT_WORDS,
    NOT_TESTED,
    SOURCE,
    finding_words,
    item_words,
    plan_words,
    run_words,
    seed_words,
    verdict_word,
    withdrawn_words,
    worth_rows,
)
from rig.lots.worth import worth_of
from rig.records.lot_model import (
    ItemResult,
    LotEnd,
    LotItem,
    LotKept,
    LotResult,
    Untestable,
)
from rig.sheets import words
from rig.sheets.figures import curve_figure
from rig.sheets.standing import SIMULATED

Rows = tuple[dict[str, Any], ...]

_CURVE_IN = 3.3
_COMMON = (
    "A sample tells of the lot with the risks given, and nothing of a single unit that was not "
    "tested. “Lots of a process” is binomial, “this lot” hypergeometric."
)


@dataclass(frozen=True)
class LotFinding:
    """What is said of the whole lot: a word, a sentence, and by what rule (texts).

    The rest is there where a sample judges it: ``kind`` is how the word is set ("pass", "fail" or
    "none"), ``marks`` stand with it, ``facts`` are pairs of the lot and its plan, ``risks`` the
    rows of what the judgement is worth with ``svg`` beside it, ``against`` the nonconforming items,
    ``items`` all of the sample, ``by_hand`` what was done to the lot, ``lot`` its name and ``at``
    when it came to this.
    """

    word: str
    sentence: str
    rule: str
    kind: str = ""
    marks: tuple[str, ...] = ()
    caution: str = ""
    facts: Rows = ()
    risks: Rows = ()
    svg: str = ""
    against: Rows = ()
    items: Rows = ()
    by_hand: Rows = ()
    lot: str = ""
    at: datetime | None = None

    @property
    def data(self) -> dict[str, Any]:
        """What a template gets."""
        return {
            "word": self.word,
            "sentence": self.sentence,
            "rule": self.rule,
            "standing": {
                "kind": self.kind,
                "word": self.word,
                "marks": list(self.marks),
                "caution": self.caution,
            },
            **{
                name: list(getattr(self, name))
                for name in ("facts", "risks", "against", "items", "by_hand")
            },
            "svg": self.svg,
        }


def finding_of(lot: LotKept, lots: Iterable[LotKept] = ()) -> LotFinding:
    """Return what the report of a lot says of it, whether it is closed or still open.

    ``lots`` are the supplier's, among which withdrawn ones are looked for.
    """
    worth = worth_of(lot)
    heading, *risks = worth_rows(lot, worth)
    crate = sorted(lot.items, key=lambda item: item.number)
    return LotFinding(
        verdict_word(lot).upper(),
        words.clean(finding_words(lot)),
        f"{SOURCE}. {_COMMON}",
        _kind(lot),
        (SIMULATED,) if lot.simulated else (),
        "; ".join(lot.cautions),
        tuple({"name": name, "text": words.clean(text)} for name, text in _facts(lot, lots)),
        tuple({"cells": [words.clean(cell) for cell in row]} for row in (heading, *risks)),
        curve_figure(lot, worth, _CURVE_IN),
        tuple(_against(item) for item in lot.nonconforming),
        tuple(_item(item, ended=not lot.is_open) for item in crate),
        tuple(
            {
                "when": words.local(event.at, words.WITH_ZONE),
                "what": words.clean(
                    " ".join(
                        filter(
                            None,
                            (
                                "" if event.item is None else f"item {event.item}",
                                EVENT_WORDS.get(event.kind, str(event.kind)),
                            ),
                        )
                    )
                ),
                "who": words.clean(event.operator),
                "why": words.clean(event.text),
            }
            for event in lot.events
        ),
        lot.name,
        lot.closed_at or lot.opened_at,
    )


def _kind(lot: LotKept) -> str:
    if lot.end is LotEnd.ACCEPTED:
        return "pass"
    refused = lot.end is LotEnd.NOT_ACCEPTED or lot.result is LotResult.NOT_ACCEPTABLE
    return "fail" if refused and lot.end is not LotEnd.WITHDRAWN else "none"


def _facts(lot: LotKept, lots: Iterable[LotKept]) -> Sequence[tuple[str, str]]:
    earlier = withdrawn_words(lot, lots)
    opened = f"{words.local(lot.opened_at)}{_by(lot.operator)}"
    closed = ""
    if lot.closed_at is not None and lot.end is not None:
        how = END_WORDS[lot.end]
        note = f": {lot.closing_note}" if lot.closing_note else ""
        closed = f"{how} {words.local(lot.closed_at)}{_by(lot.closed_by)}{note}"
    pairs = (
        ("Supplier", lot.supplier),
        ("Order", lot.order_number),
        ("Delivered", f"{lot.size} units {lot.unit_type}"),
        ("Sample", plan_words(lot)),
        ("Severity", lot.severity_why),
        ("In doubt", lot.doubt),
        ("Steady", f"said to be; agreed by {lot.agreed_by}" if lot.steady else ""),
        ("Irregular", lot.irregular),
        ("Supplier did", lot.acted),
        ("Drawn", f"at random, {seed_words(lot)}; items are counted from 1 as in the crate"),
        ("Withdrawn", f"before it: {earlier}" if earlier else ""),
        ("Opened", opened),
        ("Closed", closed or "not yet"),
        ("Note", lot.note),
    )
    return [(name, text) for name, text in pairs if text]


def _by(who: str) -> str:
    return f" by {who}" if who else ""


def _against(item: LotItem) -> dict[str, Any]:
    untested = item.untestable is Untestable.NONCONFORMING
    why = f"cannot be tested: {item.untestable_why}" if untested else ""
    if item.run is not None:
        why = item.run.why
    return {
        "number": str(item.number),
        "serial": words.clean(item.serial or "not known"),
        "why": words.clean(why),
        "run": "" if item.run is None else str(item.run.run_id)[:8],
    }


def _item(item: LotItem, *, ended: bool) -> dict[str, Any]:
    others = [run_words(run) for run in item.runs if run is not item.run]
    place = f"for item {item.replaces}" if item.replaces is not None else ""
    said = item_words(item, ended=ended)
    if item.untestable is None:
        said = said.split(":")[0]
    return {
        "number": str(item.number),
        "serial": words.clean(item.serial),
        "result": words.clean(said),
        "odd": item.result is not ItemResult.CONFORMING and said != NOT_TESTED,
        "run_id": "" if item.run is None else str(item.run.run_id),
        "when": "",
        "code": "",
        "beside": words.clean("; ".join(filter(None, (place, *others)))),
    }
