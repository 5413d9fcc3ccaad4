"""The report of an isolation: what was done, what each test showed, the causes, what is next."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from rig.analysis.faults.causes import CAUSES, SOUND
from rig.analysis.wording import outcome_words
from rig.isolation.words import parts_of, percent
from rig.plans import Plan
from rig.records.model import RunRecord, StepRecord
from rig.records.quantity import with_uncertainty
from rig.records.show import SHORT_ID
from rig.records.store import Store
from rig.sheets import words
from rig.sheets.document import Document, common, of_run
from rig.sheets.letterhead import Letterhead
from rig.sheets.measures import measure_name
from rig.sheets.run_sheet import run_trace, standing_data
from rig.sheets.standing import Standing, standing_of

CAUSES_MOST = 8
_LEAST = 1e-4  # as a record keeps it, rounded: what is less is not nothing
RULE = (
    "The causes are weighed against each other by what the tests showed (Bayes' rule), as learnt "
    "from simulated units; how it does on real ones has not been measured. A percentage is the "
    "probability that the cause is the one, given that it is one of those known. An isolation "
    "passes no unit: after the repair it is qualified anew."
)


def report_of(store: Store, record: RunRecord, letterhead: Letterhead, paper: str = "") -> Document:
    """Return the report of an isolation; raises RecordsError if the records cannot be read."""
    start, plan = record.start, words.plan_of(record)
    standing = standing_of(record)
    short, when = str(record.run_id)[:SHORT_ID], words.local(start.started_at)
    serial = words.clean(start.unit_serial)
    last = _last_ranking(record)
    foot = f"{serial[:40]} · record {short} · {when}"
    limits = words.UNREADABLE_PLAN if plan is None else words.decision_rule(plan.decision.as_rule())
    title = f"Fault isolation, {serial}"
    data = {
        **common(title, f"{when} · record {short}", letterhead, paper, standing.marks, foot),
        **of_run(record, store.checksum(record.run_id)),
        "serial": serial,
        "identity": words.identity(record, plan),
        "standing": standing_data(_told_above(standing) if last.get("cause") else standing),
        "conclusion": _conclusion(record, plan, last),
        "causes": _causes(last),
        "tests": [_test(step) for step in record.steps if step.kind not in ("ranking", "zero")],
        "trace": run_trace(store, record, plan),
        "notes": words.later_notes(record),
        "rig": words.rig_facts(record),
        "rule": f"{RULE} {limits}",
    }
    return Document("isolation", data, letterhead, start.started_at)


def _last_ranking(record: RunRecord) -> Mapping[str, Any]:
    """Return the answers of the last step that holds a ranking; empty if none does."""
    held = [step.answers for step in record.steps if "ranking" in step.answers]
    return held[-1] if held else {}


def _told_above(standing: Standing) -> Standing:
    """Return a standing whose conclusion is not told in full again: it has a section of its own."""
    short = "What it comes to stands above. An isolation passes no unit: qualify it."
    reasons = (
        replace(one, text=short) if one.measure == "isolation" else one for one in standing.reasons
    )
    return replace(standing, reasons=tuple(dict.fromkeys(reasons)))


def _conclusion(record: RunRecord, plan: Plan | None, last: Mapping[str, Any]) -> dict[str, Any]:
    """Return what it came to: the cause in words, how sure, what was left out, what to do."""
    case = str(last.get("cause", ""))
    left_out = _left_out(record, last)
    if not case:
        text = (
            "The isolation has no conclusion: it was left before its end. The causes below are "
            "what was known by then."
        )
        return {
            "word": "No conclusion",
            "text": text,
            "sure": False,
            "left_out": left_out,
            "to_do": "",
            "look": [],
        }
    sure = bool(last.get("sure", False))
    word = says(case)
    if case == SOUND:
        word = f"The unit is sound{' in all that was looked for' if left_out else ''}"
    how = "sure enough" if sure else "not sure enough to repair anything by"
    what = "How sure" if case == SOUND else "All that this remedy cures"
    asked = (
        "" if plan is None else f", where the plan asks for {percent(plan.isolation.confidence)}"
    )
    told = [event.text for event in record.events if event.kind == "isolation"]
    text = _beside(_titled(case), told[-1]) if told else ""
    return {
        "word": word[:1].upper() + word[1:],
        "text": words.clean(f"{text} {what}: {_cured(last, case)}{asked}: {how}.".lstrip()),
        "sure": sure,
        "left_out": left_out,
        "to_do": words.clean(str(last.get("to do", ""))),
        "look": [],  # shops have templates that use it; what to look at is part of what to do
    }


def _cured(last: Mapping[str, Any], case: str) -> str:
    """Return how likely all that is that one remedy cures, in words.

    Older records hold only the leading causes for it: together they are the least it can be.
    """
    cured = last.get("repair probability")
    if cured is not None:
        return percent(_part(cured))
    sharing = sum(part for name, part in _parts(last).items() if parts_of(name) == parts_of(case))
    return f"at least {percent(min(max(sharing, _part(last.get('probability'))), 1.0))}"


def _beside(title: str, told: str) -> str:
    """Return what is told of a conclusion beside its title, which is not told again."""
    first, stop, rest = told.partition(" %).")
    return rest.lstrip() if stop and first.lower().startswith(f"{title.lower()} (") else told


def _left_out(record: RunRecord, last: Mapping[str, Any]) -> list[str]:
    """Return what could not be found, a sentence each: as concluded, else as said at the start."""
    said = _sentences(last.get("not looked for"))
    return said or [words.clean(e.text) for e in record.events if e.kind == "left_out"]


def says(case: str) -> str:
    """Return a cause in words; several at once joined, one that is not known by its name."""
    names = case.split(" + ")
    told = [CAUSES[name].says if name in CAUSES else name.replace("_", " ") for name in names]
    return " and ".join(told)


def _causes(last: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = sorted(_parts(last).items(), key=lambda item: -item[1])[:CAUSES_MOST]
    first = rows[0][0] if rows else ""
    return [
        {
            "name": words.clean(name),
            "says": words.clean(_titled(name)),
            "percent": percent(max(part, _LEAST)),
            "part": part,
            "same": name != first and parts_of(name) == parts_of(first),
            "for": _sentences(last.get("speaks for it")) if name == first else [],
            "against": _sentences(last.get("speaks against it")) if name == first else [],
        }
        for name, part in rows
    ]


def _parts(last: Mapping[str, Any]) -> dict[str, float]:
    """Return the causes of a ranking as recorded, each with its probability."""
    ranking = last.get("ranking", {})
    found = ranking if isinstance(ranking, Mapping) else {}
    return {str(name): _part(part) for name, part in found.items()}


def _part(value: Any) -> float:
    """Return a probability as recorded; 0 for what is none."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return min(max(float(value), 0.0), 1.0) if is_number and math.isfinite(value) else 0.0


def _titled(name: str) -> str:
    return "the unit is sound; look at the vehicle" if name == SOUND else says(name)


def _sentences(value: Any) -> list[str]:
    return [words.clean(str(part)) for part in value] if isinstance(value, list | tuple) else []


_ANSWERS = {"ok": "in order", "fault": "NOT in order", "cannot": "could not be done"}


def _test(step: StepRecord) -> dict[str, Any]:
    """Return one test: its title, what it showed, and which cause led after it."""
    showed = []
    if step.half_turns:
        counts = Counter(outcome_words(turn.outcome) for turn in step.half_turns)
        showed.append(", ".join(f"{number} {name}" for name, number in counts.most_common()))
        times = [turn.half_turn_s for turn in step.half_turns if turn.half_turn_s is not None]
        if times:
            showed.append(f"{min(times):.3f} to {max(times):.3f} s")
    showed += [
        f"{measure_name(measure)} {with_uncertainty(measure.value, measure.u, measure.unit)}"
        for measure in step.measures
    ]
    showed += [_ANSWERS[a] for a in step.answers.values() if isinstance(a, str) and a in _ANSWERS]
    if step.note:
        showed.append(step.note)
    ranking = step.answers.get("ranking")
    leads = ""
    if isinstance(ranking, Mapping) and ranking:
        name, part = max(ranking.items(), key=lambda item: _part(item[1]))
        leads = f"{_titled(str(name))} ({percent(_part(part))})"
    return {
        "number": str(step.number),
        "title": words.clean(step.title),
        "showed": words.clean("; ".join(showed)),
        "leads": words.clean(leads),
        "state": "" if step.state == "done" else step.state.replace("_", " "),
    }
