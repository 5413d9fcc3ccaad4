"""Opening a lot: what was asked for, checked in words, and the sample drawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

from rig.labels import NAME_LONGEST, NOTE_LONGEST, name_key, shown
from rig.lots.history import HistoryKey, SupplierHistory, history_of, severe_beside
from rig.plans import Plan
from rig.quality.sampling_draw import drawing_order
from rig.quality.sampling_tables import (
    Level,
    SamplingError,
    SamplingPlan,
    Severity,
    preferred,
    sampling_plan,
)
from rig.quality.switching import Inspection, Said
from rig.records.lot_model import LotEnd, LotKept, LotStart
from rig.studies.order import DesignError
from rig.studies.setting_up import drawn_seed, need_printable, needed_text

AGAIN_WHY = (
    "The lot was offered before and not accepted: it is inspected tightened, whatever the "
    "supplier's history says."
)
"""The standard leaves normal or tightened to the responsible person (from memory); the stricter."""

_ALIKE = 0.85
"""From how alike on two suppliers' names may be one with a slip (guess): two letters in fifteen."""


@dataclass(frozen=True)
class LotAsked:
    """A lot as somebody asks for it to be opened.

    ``aql`` is in per cent nonconforming.  ``resubmitted_of`` names the lot that is offered again.
    ``steady`` and ``agreed_by`` are for reduced inspection, ``irregular`` and ``acted`` say why
    (`rig.quality.switching.Said`).  ``seed`` None: drawn.
    """

    name: str
    supplier: str
    size: int
    aql: float
    level: str = str(Level.II)
    order_number: str = ""
    operator: str = ""
    simulated: bool = False
    steady: bool = False
    agreed_by: str = ""
    irregular: str = ""
    acted: str = ""
    resubmitted_of: str = ""
    note: str = ""
    seed: int | None = None

    def stripped(self) -> LotAsked:
        """Return the same without blanks around any text: blanks alone say nothing."""
        texts: dict[str, Any] = {
            field.name: value.strip()
            for field in fields(self)
            if isinstance(value := getattr(self, field.name), str)
        }
        return replace(self, **texts)


@dataclass(frozen=True)
class SampleAsked:
    """The sample that a lot asks for: its plan, how severe, and why.

    ``supplier`` is spelt as in its earlier lots.  ``ended``: no lot of this product is inspected,
    by whatever level and AQL, until the supplier has acted.
    """

    plan: SamplingPlan
    inspection: Inspection
    why: str
    supplier: str
    ended: bool


def sample_for(asked: LotAsked, unit_type: str, lots: Sequence[LotKept]) -> SampleAsked:
    """Return the sample that a lot asks for, given the ``lots`` there are; raises DesignError.

    Name and people are not looked at, so that a sample can be shown while they are being typed.
    """
    asked = asked.stripped()
    try:
        level, aql = level_named(asked.level), preferred(asked.aql)
        key = HistoryKey(asked.supplier, unit_type, level, aql, asked.simulated)
        said = Said(asked.steady, bool(asked.agreed_by), bool(asked.irregular), bool(asked.acted))
        inspection = history_of(lots, key, said).inspection
        again = bool(asked.resubmitted_of)
        severity = Severity.TIGHTENED if again else inspection.severity
        plan = sampling_plan(asked.size, level, aql, severity)
    except SamplingError as error:
        raise DesignError(str(error), about=error.about) from error
    beside = severe_beside(lots, key)
    whys = (AGAIN_WHY if again else inspection.why, *(_beside_why(one, asked) for one in beside))
    stopped = not asked.acted and any(one.inspection.ended for one in beside)
    supplier = _as_spelt(asked.supplier, lots)
    return SampleAsked(plan, inspection, " ".join(whys), supplier, inspection.ended or stopped)


def _beside_why(history: SupplierHistory, asked: LotAsked) -> str:
    """Return what a history of another level or AQL has to say before the next lot."""
    key = history.key
    by = f"AQL {key.aql:g} %, level {key.level}"
    if not history.inspection.ended:
        return f"By {by} this supplier's lots are inspected tightened."
    if asked.acted:
        return f"By {by} inspection of this supplier's lots had ended; it has acted since."
    return (
        f"By {by} inspection of this supplier's lots has ended: say what the supplier has done "
        "about its quality."
    )


def _as_spelt(supplier: str, lots: Sequence[LotKept]) -> str:
    """Return a supplier's name as its newest lot has it, or as it is typed."""
    known = [lot for lot in lots if name_key(lot.supplier) == name_key(supplier)]
    return max(known, key=lambda lot: lot.number).supplier if known else supplier


def spelt_like(supplier: str, suppliers: Iterable[str]) -> str:
    """Return which other of the ``suppliers`` is spelt so nearly alike that a slip is likely.

    Empty if there is none, or if one is called exactly so: its history would be left for a new one.
    """
    by_key = {name_key(name): name for name in suppliers}
    key = name_key(supplier)
    near = None if key in by_key else next(iter(get_close_matches(key, by_key, 1, _ALIKE)), None)
    return "" if near is None else by_key[near]


def lot_start(asked: LotAsked, plan: Plan, lots: Sequence[LotKept]) -> LotStart:
    """Return a lot as asked for, its sample drawn; raises DesignError.

    ``lots`` are those in the records, ``plan`` tests each item.  Refused while inspection of the
    supplier's lots has ended, by whatever level and AQL, unless it is said what the supplier has
    done (``acted``).
    """
    asked = asked.stripped()
    texts = {
        about: needed_text(about, called, text, NAME_LONGEST)
        for about, called, text in (
            ("name", "The lot's name", asked.name),
            ("supplier", "The supplier", asked.supplier),
            ("operator", "The name of who opens it", asked.operator),
        )
    }
    for about, called, text, longest in (
        ("order_number", "The order number", asked.order_number, NAME_LONGEST),
        ("agreed_by", "The name of who agrees", asked.agreed_by, NAME_LONGEST),
        ("irregular", "What is irregular", asked.irregular, NOTE_LONGEST),
        ("acted", "What the supplier has done", asked.acted, NOTE_LONGEST),
        ("note", "The note", asked.note, NOTE_LONGEST),
    ):
        need_printable(about, called, text, longest)
        texts[about] = text
    if asked.steady != bool(texts["agreed_by"]):
        raise DesignError(
            "Reduced inspection needs both: that production is steady, and the name of the "
            "responsible person who agrees to it.",
            about="agreed_by" if asked.steady else "steady",
        )
    sample = sample_for(asked, plan.unit.type, lots)
    before = _offered_before(asked, sample.plan, plan, lots)
    if sample.ended:
        raise DesignError(f"{sample.why} The lot was not opened.", about="acted")
    texts["supplier"] = sample.supplier
    seed = drawn_seed(asked.seed)
    chosen = sample.plan
    return LotStart(
        **texts,
        unit_type=plan.unit.type,
        size=asked.size,
        aql=chosen.aql,
        level=str(chosen.level),
        severity=str(chosen.severity),
        severity_why=sample.why,
        lot_letter=chosen.lot_letter,
        letter=chosen.letter,
        table_n=chosen.table_n,
        n=chosen.n,
        ac=chosen.ac,
        re=chosen.re,
        doubt=chosen.doubt,
        plan_name=plan.name,
        plan_text=plan.text,
        simulated=asked.simulated,
        seed=seed,
        items=drawing_order(asked.size, chosen.n, seed),
        opened_at=datetime.now(UTC),
        steady=asked.steady,
        resubmitted_of=None if before is None else before.lot_id,
        seed_given=asked.seed is not None,
    )


def level_named(text: str) -> Level:
    """Return the inspection level that somebody typed; raises DesignError."""
    for level in Level:
        if text.strip().upper().replace(" ", "") in (level.value, level.value.replace("-", "")):
            return level
    raise DesignError(
        f"There is no inspection level '{text.strip()[:20]}': {', '.join(Level)}.", about="level"
    )


def replacement(lot: LotKept) -> int:
    """Return the item drawn next, for one that cannot be tested; raises DesignError."""
    drawn = len(lot.items)
    if drawn >= lot.size:
        raise DesignError(
            f"Every unit of the lot {lot.name} is in its sample already, so none can be drawn in "
            "this one's place: count it as nonconforming, or wait until it can be tested."
        )
    return drawing_order(lot.size, drawn + 1, lot.seed)[-1]


def _offered_before(
    asked: LotAsked, chosen: SamplingPlan, plan: Plan, lots: Sequence[LotKept]
) -> LotKept | None:
    """Return the lot that is offered again, None if none is; DesignError if it cannot be so."""
    name = asked.resubmitted_of
    if not name:
        return None
    before = next((lot for lot in lots if lot.name == name), None)
    product = (name_key(asked.supplier), plan.unit.type, asked.simulated)
    if before is None or HistoryKey.of(before).product != product:
        raise DesignError(
            f"There is no lot “{name[:40]}” of this supplier and unit type that could be offered "
            "again.",
            about="resubmitted_of",
        )
    offered = (lot for lot in lots if lot.resubmitted_of == before.lot_id)
    since = next((lot for lot in offered if lot.end is not LotEnd.WITHDRAWN), None)
    if since is not None:
        raise DesignError(
            f"The lot “{name[:40]}” was offered again already, as {shown(since.name)}: what "
            "became of that one counts.",
            about="resubmitted_of",
        )
    levels = list(Level)
    weaker = levels.index(chosen.level) < levels.index(Level(before.level))
    if weaker or chosen.aql != before.aql:
        raise DesignError(
            f"The lot “{name[:40]}” was judged by AQL {before.aql:g} %, level {before.level}; it "
            "comes back by the same (the level may be higher).",
            about="level" if weaker else "aql",
        )
    if before.end is not LotEnd.NOT_ACCEPTED:
        raise DesignError(
            f"The lot “{name[:40]}” cannot be offered again: it was not refused.",
            about="resubmitted_of",
        )
    if asked.size > before.size:
        raise DesignError(
            f"The lot “{name[:40]}” had {before.size} units; it cannot come back with "
            f"{asked.size}.",
            about="size",
        )
    return before
