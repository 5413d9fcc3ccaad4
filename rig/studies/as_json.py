"""Gauge studies and golden units as plain dictionaries that any JSON writer takes."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import Any

from rig.quality.gauge_study import AnovaLine
from rig.records.study_model import StudyKept, TrialKept
from rig.studies.gauge import GaugeResults, MeasureStudied
from rig.studies.golden import GoldenState, MeasureCharted


def study_object(study: StudyKept) -> dict[str, Any]:
    """Return a study's set-up and how far it is."""
    following = study.next_trial
    return {
        "name": study.name,
        "plan": study.plan_name,
        "station": study.station,
        "began_at": study.began_at.isoformat(),
        "seed": study.seed,
        "note": study.note,
        "trials": len(study.trials),
        "done": study.done,
        "next": None if following is None else following.position,
    }


def results_object(results: GaugeResults) -> dict[str, Any]:
    """Return a study with its trials, their runs, and the results of every measure."""
    return {
        **study_object(results.study),
        "pool_above_p": results.pool_above_p,
        "order": [_trial(trial) for trial in results.study.trials],
        "measures": [_measure(studied) for studied in results.measures],
    }


def _trial(trial: TrialKept) -> dict[str, Any]:
    counting = trial.run
    return {
        "position": trial.position,
        "part": trial.part,
        "operator": trial.operator,
        "trial": trial.trial,
        "run": None if counting is None else str(counting.run_id),
        "runs": [
            {
                "run": str(run.run_id),
                "started_at": run.started_at.isoformat(),
                "operator": run.operator,
                "state": str(run.state),
                "verdict": run.verdict,
                "set_aside": run.set_aside,
            }
            for run in trial.runs
        ],
    }


def _measure(studied: MeasureStudied) -> dict[str, Any]:
    result, fit, judged = studied.result, studied.fit, studied.judged
    made: dict[str, Any] = {
        "name": studied.measure.name,
        "label": studied.measure.label,
        "unit": studied.measure.unit,
        "limits": {"low": judged.low, "high": judged.high, "guard_band": judged.guard},
        "missing": studied.missing,
        "values": [asdict(reading) for reading in studied.readings],
        "result": None,
        "fit": None,
        "by_ranges": None if studied.ranges is None else asdict(studied.ranges),
    }
    if result is not None:
        made["result"] = {
            "mean": result.mean,
            "pooled": result.pooled,
            "categories": result.categories,
            "tolerance": result.tolerance,
            "anova": [_anova(line) for line in result.table],
            "interaction_tested": None if result.tested is None else _anova(result.tested),
            "components": [
                {**asdict(share), "standard_deviation": share.sd} for share in result.shares
            ],
        }
    if fit is not None:
        made["fit"] = {**asdict(fit), "fitness": str(fit.fitness)}
    return made


def _anova(line: AnovaLine) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in asdict(line).items()
    }


def golden_object(state: GoldenState) -> dict[str, Any]:
    """Return a golden unit, how the rig stands by it, and its charts."""
    golden, at = state.golden, state.checked_at
    return {
        "serial": golden.serial,
        "unit_type": golden.unit_type,
        "plan": golden.plan_name,
        "station": golden.station,
        "declared_at": golden.declared_at.isoformat(),
        "baseline_checks": golden.baseline,
        "standing": str(state.standing),
        "text": state.text,
        "checked_at": None if at is None else at.isoformat(),
        "checks": [str(run.summary.run_id) for run in state.checks],
        "left_out": state.left_out,
        "dated_ahead": state.ahead,
        "simulated": state.simulated,
        "baseline": state.baseline.number,
        "baselines": [
            {
                "number": each.number,
                "began_at": each.began_at.isoformat(),
                "reason": each.reason,
                "operator": each.operator,
            }
            for each in golden.baselines
        ],
        "charts": [_chart(charted) for charted in state.charts],
    }


def _chart(charted: MeasureCharted) -> dict[str, Any]:
    limits = charted.chart.limits
    return {
        "name": charted.measure.name,
        "label": charted.measure.label,
        "unit": charted.measure.unit,
        "limits": None
        if limits is None
        else {
            "centre": limits.centre,
            "sigma": limits.sigma,
            "low": limits.low,
            "high": limits.high,
            "moving_range": limits.moving_range,
            "moving_range_high": limits.range_high,
            "floored": limits.floored,
        },
        "points": [
            {
                "run": str(value.run.summary.run_id),
                "started_at": value.run.summary.started_at.isoformat(),
                "value": point.value,
                "moving_range": point.step,
                "ewma": point.ewma,
                "ewma_low": point.ewma_low,
                "ewma_high": point.ewma_high,
                "signals": [str(signal) for signal in point.signals],
            }
            for value, point in zip(charted.values, charted.chart.points, strict=True)
        ],
    }
