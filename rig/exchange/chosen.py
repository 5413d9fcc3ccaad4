"""Which rows go with the runs that are wanted: all they refer to, and nothing that hangs loose."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Select, false, or_, select, true

from rig.records.calibration_tables import CalibrationLineRow, CalibrationPointRow, CalibrationRow
from rig.records.finding import conditions
from rig.records.model import RunFilter
from rig.records.study_tables import (
    GaugeRunRow,
    GaugeStudyRow,
    GaugeTrialRow,
    GoldenBaselineRow,
    GoldenUnitRow,
)
from rig.records.tables import RunRow, TextRow, UnitRow

OF_RUNS = ("runs", "steps", "half_turns", "measures", "events", "reasons")
"""Tables that are read run by run; the others hold little and are read at once."""

Ids = Select[tuple[Any]]


def runs_wanted(wanted: RunFilter) -> Ids:
    """Return the query for the wanted runs' ids."""
    return select(RunRow.id).join(RunRow.unit).where(*conditions(wanted))


def rows_wanted(table: str, wanted: RunFilter) -> ColumnElement[bool]:
    """Return which rows of a table that is not of `OF_RUNS` go out with the wanted runs.

    With every run goes everything there is.
    """
    return true() if wanted == RunFilter() else _OF_TABLE[table](runs_wanted(wanted))


def _of_runs(column: Any, runs: Ids) -> Ids:
    return select(column).where(RunRow.id.in_(runs))


def _units(runs: Ids) -> ColumnElement[bool]:
    return UnitRow.id.in_(_of_runs(RunRow.unit_id, runs))


def _texts(runs: Ids) -> ColumnElement[bool]:
    return or_(
        TextRow.sha256.in_(_of_runs(RunRow.plan_sha256, runs)),
        TextRow.sha256.in_(_of_runs(RunRow.rig_sha256, runs)),
        TextRow.sha256.in_(select(GaugeStudyRow.plan_sha256).where(_studies(runs))),
    )


def _calibrations(runs: Ids) -> ColumnElement[bool]:
    return CalibrationRow.id.in_(_of_runs(RunRow.calibration_id, runs))


def _lines(runs: Ids) -> ColumnElement[bool]:
    return CalibrationLineRow.calibration_id.in_(
        select(CalibrationRow.id).where(_calibrations(runs))
    )


def _points(runs: Ids) -> ColumnElement[bool]:
    return CalibrationPointRow.line_id.in_(select(CalibrationLineRow.id).where(_lines(runs)))


def _gauge_runs(runs: Ids) -> ColumnElement[bool]:
    return GaugeRunRow.run_id.in_(runs)


def _studies(runs: Ids) -> ColumnElement[bool]:
    of_runs = select(GaugeTrialRow.study_id).join(GaugeTrialRow.runs).where(_gauge_runs(runs))
    return GaugeStudyRow.id.in_(of_runs)


def _trials(runs: Ids) -> ColumnElement[bool]:
    return GaugeTrialRow.study_id.in_(select(GaugeStudyRow.id).where(_studies(runs)))


def _golden(runs: Ids) -> ColumnElement[bool]:
    return GoldenUnitRow.unit_id.in_(_of_runs(RunRow.unit_id, runs))


def _baselines(runs: Ids) -> ColumnElement[bool]:
    return GoldenBaselineRow.golden_id.in_(select(GoldenUnitRow.id).where(_golden(runs)))


_OF_TABLE = {
    "units": _units,
    "texts": _texts,
    "calibrations": _calibrations,
    "calibration_lines": _lines,
    "calibration_points": _points,
    "gauge_studies": _studies,
    "gauge_trials": _trials,
    "gauge_runs": _gauge_runs,
    "golden_units": _golden,
    "golden_baselines": _baselines,
    "rig_checks": lambda _runs: false(),  # of a station, not of any run
}
