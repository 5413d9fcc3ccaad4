"""What a sheet says in words: who, on what, by which rule, and what it does not say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from rig.labels import shown
from rig.plans import Plan, PlanError, plan_from_text
from rig.quality.calibration_words import standing_words
from rig.quality.decision import DecisionRule
from rig.quality.uncertainty import declared_of
from rig.records.golden_said import golden_words
from rig.records.model import RunRecord, Source, StepRecord, StepState
from rig.schema import MistakesError
from rig.settings import settings_from_text
from rig.visual import TERMINAL_CHECKS, VISUAL_CHECKS

SOURCES = {
    Source.OWN_REBUILD: "own rebuild",
    Source.CUSTOMER_JOB: "customer's job",
    Source.DELIVERY_LOT: "delivery lot",
}
SAYS = (
    "This sheet tells what this one unit did on this bench at this time. It covers what is listed "
    "and nothing else; it is no warranty, no approval, and no statement on the engine, the vehicle "
    "or the cable that the unit will work with. Fitting it is work for somebody qualified: before "
    "it, isolate the battery; keep hands clear of the lever, which moves with force; after it, "
    "make sure that the engine stops."
)


UNREADABLE_PLAN = (
    "The plan in the record cannot be read by this program any more, so limits are not shown."
)


def decision_rule(rule: DecisionRule) -> str:
    """Return the rule that a sheet's verdict follows."""
    return (
        "Values are given ± expanded uncertainty U with coverage factor k = 2 (about 95 %). "
        f"{rule.words()} One limit that fails fails the unit."
    )


def decision_rules(records: Sequence[RunRecord]) -> str:
    """Return the rules of several runs' plans, each once, with its plans where they differ."""
    plans: dict[DecisionRule, dict[str, None]] = {}
    for plan in filter(None, map(plan_of, records)):
        plans.setdefault(plan.decision.as_rule(), {})[plan.name] = None
    if len(plans) == 1:
        return decision_rule(next(iter(plans)))
    return " ".join(
        f"By {', '.join(names)}: {decision_rule(rule)}" for rule, names in plans.items()
    )


def plan_of(record: RunRecord) -> Plan | None:
    """Return the plan as recorded; None if this program cannot read it any more."""
    return _plan_read(record.start.plan_text, record.start.plan_name)


@lru_cache(maxsize=16)
def _plan_read(text: str, name: str) -> Plan | None:
    try:
        return plan_from_text(text, Path(f"{name}.toml"))
    except PlanError:
        return None


WITH_ZONE = "%Y-%m-%d %H:%M %Z"


def local(moment: datetime, layout: str = "%Y-%m-%d %H:%M") -> str:
    """Return a moment in this machine's time zone."""
    return moment.astimezone().strftime(layout)


def clean(text: str) -> str:
    """Return text for paper: what cannot be seen becomes a sign, nothing else changes."""
    return shown(text, longest=max(len(text), 1))


def identity(record: RunRecord, plan: Plan | None) -> list[dict[str, str]]:
    """Return who and what as pairs of name and text; what is not recorded is left out."""
    start = record.start
    title = start.plan_name if plan is None else f"{plan.title} ({start.plan_name})"
    if record.isolation is not None:
        title = f"{title}, lent to an isolation"
    pairs = {
        "Type": start.unit_type,
        "From": SOURCES.get(start.source, str(start.source).replace("_", " ")),
        "Job or lot": start.reference,
        "Plan": title,
        "Tested": local(start.started_at, WITH_ZONE),
        "Operator": start.operator,
    }
    return [{"name": name, "text": clean(text)} for name, text in pairs.items() if text]


def rig_facts(record: RunRecord) -> list[dict[str, str]]:
    """Return what the rig was, and how it stood with its calibration and its golden units."""
    start = record.start
    pairs = {
        "Rig": f"{start.rig_name}, station {start.station}",
        "Bench": f"{_bench(record)}, halfturn {start.program_version}",
        "Sensor": _sensor(record),
        "Calibration": standing_words(start.calibration),
        "Golden": golden_words(start.golden),
        "Feeds": _feeds(record),
    }
    return [{"name": name, "text": clean(text)} for name, text in pairs.items() if text]


def _bench(record: RunRecord) -> str:
    start = record.start
    if not start.simulated:
        return start.backend
    faults = start.backend_facts.get("faults", "")
    return f"SIMULATED (seed {start.backend_facts.get('seed', '?')}" + (
        f", faults {faults})" if faults else ")"
    )


def _sensor(record: RunRecord) -> str:
    try:
        settings = settings_from_text(record.start.rig_text, Path("rig.toml"))
        station = settings.station(record.start.station)
    except (MistakesError, ValueError):
        return ""
    sensor = station.battery_sensor
    stood = record.start.calibration
    gain_u = declared_of(station).gain_u
    gain = f", gain {sensor.gain:g} ± {100 * gain_u:.2g} % (k = 1)"
    told = "" if stood is not None and stood.applies else gain
    return f"shunt {1000 * sensor.shunt_ohm:g} mΩ{told}, {station.sample_hz} samples/s"


def _feeds(record: RunRecord) -> str:
    if record.end is None:
        return ""
    if record.end.feeds_off:
        return "read back off at the end"
    return "NOT read back off at the end"


def visual_answers(steps: Sequence[StepRecord]) -> list[dict[str, Any]]:
    """Return the visual checks that were answered: question, answer in words, and what it was."""
    found = []
    for step in steps:
        for name, answer in step.answers.items():
            check = VISUAL_CHECKS.get(name) or TERMINAL_CHECKS.get(name)
            if check is not None and isinstance(answer, str):
                state = {"ok": "yes", "fault": "NO"}.get(answer, answer.replace("_", " "))
                text = check.question if answer != "fault" else check.fault_text
                found.append({"text": text, "answer": clean(state), "odd": answer != "ok"})
    return found


def step_rows(steps: Sequence[StepRecord]) -> list[dict[str, Any]]:
    """Return the steps: number, title, how each ended, and its note."""
    return [
        {
            "number": str(step.number),
            "title": clean(step.title),
            "state": "" if step.state is StepState.DONE else step.state.replace("_", " "),
            "note": clean(step.note),
        }
        for step in steps
    ]


def later_notes(record: RunRecord) -> list[dict[str, str]]:
    """Return the notes in the record, those written during the run and afterwards."""
    return [
        {"at": local(event.at), "text": clean(event.text)}
        for event in record.events
        if event.kind == "note"
    ]
