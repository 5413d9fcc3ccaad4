"""Runs as plain dictionaries that any JSON writer takes: no NaN, no dates, no UUIDs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from rig.contract import calibration_object, deciding, decision_object, half_turn_object
from rig.quality.decision import DecisionRule
from rig.records.lateness import lateness_object
from rig.records.model import RunEnd, RunRecord, RunSummary, StepRecord


def runs_json(runs: Iterable[RunSummary]) -> list[dict[str, Any]]:
    """Return a list of runs; times in ISO 8601, UTC."""
    return [_plain(asdict(run)) for run in runs]


def run_json(run: RunRecord, rule: DecisionRule | None = None) -> dict[str, Any]:
    """Return a whole run without its traces and without the texts of rig and plan.

    ``rule`` is its plan's, None if that cannot be read any more.
    """
    start = asdict(replace(run.start, calibration=None))
    del start["plan_text"], start["rig_text"]
    start["calibration"] = calibration_object(run.start.calibration)
    whole = {
        "run_id": run.run_id,
        "bench": run.bench,
        **start,
        "state": run.state,
        **_end(run.end),
        "decision": None if rule is None else decision_object(rule),
        "steps": [_step(step) for step in run.steps],
        "events": [asdict(event) for event in run.events],
    }
    made: dict[str, Any] = _plain(whole)
    return made


def _end(end: RunEnd | None) -> dict[str, Any]:
    judgement = end.judgement if end else None
    return {
        "ended_at": end.ended_at if end else None,
        "verdict": judgement.verdict if judgement else None,
        "reasons": [reason.text for reason in deciding(judgement)] if judgement else [],
        "feeds_off": end.feeds_off if end else None,
        "note": end.note if end else "",
        "lateness": lateness_object(end.lateness) if end else None,
    }


def _step(step: StepRecord) -> dict[str, Any]:
    return {
        "number": step.number,
        "kind": step.kind,
        "title": step.title,
        "started_at": step.started_at,
        "ended_at": step.ended_at,
        "state": step.state,
        "held": step.held,
        "measures": [asdict(measure) for measure in step.measures],
        "half_turns": [half_turn_object(half_turn) for half_turn in step.half_turns],
        "answers": dict(step.answers),
        "note": step.note,
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None  # JSON has no NaN
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, UUID | str) else value
