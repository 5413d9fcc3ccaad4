"""Opening a lot: what was asked for, checked in words, and the sample drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from rig.labels import NAME_LONGEST, NOTE_LONGEST
from rig.lots.history import HistoryKey, history_of
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


@dataclass(frozen=True)
class SampleAsked:
    """The sample that a lot asks for: its plan, how severe, and why."""

    plan: SamplingPlan
    inspection: Inspection
    why: str


def sample_for(asked: LotAsked, unit_type: str, lots: Sequence[LotKept]) -> SampleAsked:
    """Return the sample that a lot asks for, given the ``lots`` there are; raises DesignError.

    Name and people are not looked at, so that a sample can be shown while they are being typed.
    """
    try:
        level, aql = level_named(asked.level), preferred(asked.aql)
        key = HistoryKey(asked.supplier.strip(), unit_type, level, aql, asked.simulated)
        said = Said(asked.steady, bool(asked.agreed_by), bool(asked.irregular), bool(asked.acted))
        inspection = history_of(lots, key, said).inspection
        again = bool(asked.resubmitted_of)
        severity = Severity.TIGHTENED if again else inspection.severity
        plan = sampling_plan(asked.size, level, aql, severity)
    except SamplingError as error:
        raise DesignError(str(error), about=error.about) from error
    return SampleAsked(plan, inspection, AGAIN_WHY if again else inspection.why)


def lot_start(asked: LotAsked, plan: Plan, lots: Sequence[LotKept]) -> LotStart:
    """Return a lot as asked for, its sample drawn; raises DesignError.

    ``lots`` are those in the records, ``plan`` tests each item.  Refused while inspection of the
    supplier's lots has ended, unless it is said what the supplier has done (``acted``).
    """
    texts = {
        about: needed_text(about, called, text, NAME_LONGEST)
        for about, called, text in (
            ("name", "The lot's name", asked.name),
            ("supplier", "The supplier", asked.supplier),
        )
    }
    for about, called, text, longest in (
        ("order_number", "The order number", asked.order_number, NAME_LONGEST),
        ("operator", "The operator's name", asked.operator, NAME_LONGEST),
        ("agreed_by", "The name of who agrees", asked.agreed_by, NAME_LONGEST),
        ("irregular", "What is irregular", asked.irregular, NOTE_LONGEST),
        ("acted", "What the supplier has done", asked.acted, NOTE_LONGEST),
        ("note", "The note", asked.note, NOTE_LONGEST),
    ):
        need_printable(about, called, text.strip(), longest)
        texts[about] = text.strip()
    if asked.steady != bool(texts["agreed_by"]):
        raise DesignError(
            "Reduced inspection needs both: that production is steady, and the name of the "
            "responsible person who agrees to it.",
            about="agreed_by" if asked.steady else "steady",
        )
    before = _offered_before(asked, texts["supplier"], plan.unit.type, lots)
    sample = sample_for(asked, plan.unit.type, lots)
    if sample.inspection.ended:
        raise DesignError(f"{sample.why} The lot was not opened.", about="acted")
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
    asked: LotAsked, supplier: str, unit_type: str, lots: Sequence[LotKept]
) -> LotKept | None:
    name = asked.resubmitted_of.strip()
    if not name:
        return None
    before = next((lot for lot in lots if lot.name == name), None)
    if before is None or (before.supplier, before.unit_type, before.simulated) != (
        supplier,
        unit_type,
        asked.simulated,
    ):
        raise DesignError(
            f"There is no lot “{name[:40]}” of this supplier and unit type that could be offered "
            "again.",
            about="resubmitted_of",
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
