"""Which rows go with the runs that are wanted: all they refer to, and nothing that hangs loose."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import ColumnElement, Select, false, or_, select, true

from rig.records.bench_tables import BenchRow
from rig.records.calibration_tables import CalibrationLineRow, CalibrationPointRow, CalibrationRow
from rig.records.finding import conditions
from rig.records.lot_tables import LotEventRow, LotItemRow, LotRow, LotRunRow
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

Ids = Select[Any]


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
        TextRow.sha256.in_(select(LotRow.plan_sha256).where(_lots(runs))),
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


def _lot_runs(runs: Ids) -> ColumnElement[bool]:
    return LotRunRow.run_id.in_(runs)


def _lots(runs: Ids) -> ColumnElement[bool]:
    """The lots that the runs were made for, and those of which they are offered again."""
    of_runs = select(LotItemRow.lot_id).join(LotItemRow.runs).where(_lot_runs(runs))
    lots = select(LotRow.id).where(LotRow.id.in_(of_runs)).cte("lots_wanted", recursive=True)
    before = select(LotRow.resubmitted_of).join(lots, LotRow.id == lots.c.id)
    lots = lots.union(before.where(LotRow.resubmitted_of.is_not(None)))
    return LotRow.id.in_(select(lots.c.id))


def _lot_items(runs: Ids) -> ColumnElement[bool]:
    return LotItemRow.lot_id.in_(select(LotRow.id).where(_lots(runs)))


def _lot_events(runs: Ids) -> ColumnElement[bool]:
    return LotEventRow.lot_id.in_(select(LotRow.id).where(_lots(runs)))


def _benches(runs: Ids) -> ColumnElement[bool]:
    """The benches that any of these were made by; the one whose file this is may be."""
    made = (
        _of_runs(RunRow.bench_id, runs),
        select(CalibrationRow.bench_id).where(_calibrations(runs)),
        select(GaugeStudyRow.bench_id).where(_studies(runs)),
        select(GoldenUnitRow.bench_id).where(_golden(runs)),
        select(LotRow.bench_id).where(_lots(runs)),
    )
    return or_(BenchRow.own, *(BenchRow.id.in_(ids) for ids in made))


_OF_TABLE: dict[str, Callable[[Ids], ColumnElement[bool]]] = {
    "benches": _benches,
    "lots": _lots,
    "lot_items": _lot_items,
    "lot_runs": _lot_runs,
    "lot_events": _lot_events,
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
