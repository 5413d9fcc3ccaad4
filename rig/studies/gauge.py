"""A gauge study's results: every measure that its runs have, held against its plan's limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from uuid import UUID

from rig.analysis.model import Limits
from rig.quality.gauge_fit import Fit, Judged, fit_of
from rig.quality.gauge_study import (
    POOL_ABOVE_P,
    GaugeStudy,
    RangeStudy,
    Reading,
    StudyError,
    study,
    study_by_ranges,
)
from rig.records.model import UnitRun
from rig.records.study_model import StudyKept
from rig.run_values import MEASURES, RunMeasure, RunValue, limits_of_plan, value_of


@dataclass(frozen=True)
class MeasureStudied:
    """One measure of a study; ``missing`` says why there is no result, "" if there is one.

    ``ranges`` is the same by averages and ranges, as the trade does it by hand.
    """

    measure: RunMeasure
    judged: Judged
    readings: tuple[Reading, ...]
    result: GaugeStudy | None = None
    fit: Fit | None = None
    ranges: RangeStudy | None = None
    missing: str = ""


@dataclass(frozen=True)
class GaugeResults:
    """What a gauge study came to; measures that no run has are left out."""

    study: StudyKept
    measures: tuple[MeasureStudied, ...]
    pool_above_p: float

    @property
    def whole(self) -> bool:
        """Whether every trial has a run that counts."""
        return self.study.next_trial is None


def results_of(
    kept: StudyKept, runs: Mapping[UUID, UnitRun], *, pool_above_p: float = POOL_ABOVE_P
) -> GaugeResults:
    """Return the results of a study; ``runs`` are those that count, by trial.

    A run's value is the median of its half-turns' (`rig.run_values.value_of`), so that a run of
    many half-turns repeats better than a single one: the plan decides what is studied.
    """
    limits = limits_of_plan(kept.plan_text, kept.plan_name)
    measures = (_measured(kept, runs, measure, limits, pool_above_p) for measure in MEASURES)
    return GaugeResults(kept, tuple(m for m in measures if m is not None), pool_above_p)


def _measured(
    kept: StudyKept,
    runs: Mapping[UUID, UnitRun],
    measure: RunMeasure,
    limits: Limits | None,
    pool_above_p: float,
) -> MeasureStudied | None:
    values: list[tuple[Reading, RunValue]] = []
    without = []
    for trial in kept.trials:
        run = runs.get(trial.trial_id)
        value = None if run is None else value_of(run, measure)
        if value is not None:
            reading = Reading(trial.part, trial.operator, trial.trial, value.value)
            values.append((reading, value))
        elif run is not None:
            without.append(str(trial.position))
    if not values:
        return None
    judged = _judged(measure, [value for _, value in values], limits)
    readings = tuple(reading for reading, _ in values)
    if without:
        several = len(without) > 1
        return MeasureStudied(
            measure,
            judged,
            readings,
            missing=f"The run{'s' if several else ''} of trial{'s' if several else ''} "
            f"{', '.join(without[:5])}{' ...' if without[5:] else ''} measured no "
            f"{_low(measure.label)}. Set {'them' if several else 'it'} aside and repeat "
            f"{'them' if several else 'it'}.",
        )
    if kept.next_trial is not None:
        return MeasureStudied(
            measure,
            judged,
            readings,
            missing=f"{kept.done} of {len(kept.trials)} trials are done: the result comes with the "
            "last one.",
        )
    try:
        result = study(readings, tolerance=judged.tolerance, pool_above_p=pool_above_p)
    except StudyError as error:
        return MeasureStudied(measure, judged, readings, missing=str(error))
    ranges = study_by_ranges(readings)
    return MeasureStudied(measure, judged, readings, result, fit_of(result, judged), ranges)


def _judged(measure: RunMeasure, values: list[RunValue], limits: Limits | None) -> Judged:
    def typical(found: list[float | None]) -> float | None:
        known = [value for value in found if value is not None]
        return median(known) if known else None

    guard = typical([value.u for value in values])
    if limits is None:
        return Judged(measure.label, measure.unit, guard=guard)
    return Judged(
        measure.label,
        measure.unit,
        typical([measure.low(limits, value.run) for value in values]),
        typical([measure.limit(limits, value.run) for value in values]),
        guard,
    )


def _low(label: str) -> str:
    return label[0].lower() + label[1:]
