"""How the rig stands by its golden units: their checks on control charts, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from typing import Any

from rig.analysis.model import Verdict
from rig.quality.control_chart import Chart, Point, Signal, chart
from rig.records.golden_records import GoldenRecords
from rig.records.golden_said import WORST, GoldenStanding, said
from rig.records.model import UnitRun
from rig.records.study_model import BaselineKept, GoldenKept
from rig.run_values import BY_NAME, RunMeasure, RunValue, value_of

USUAL_MEASURES = ("to_run", "run", "rest")
"""Charted unless others are chosen: the more charts, the wider the limits of each."""

USUAL_BASELINE = 15
"""Checks that set the limits, unless said otherwise: fewer give wide ones that see little."""

LEAST_SHARE = 0.05
"""Sigma is taken to be this share of the stated expanded uncertainty at least (guess): a shift far
below what the rig claims to know is no fault of it, however well its checks repeat."""


@dataclass(frozen=True)
class MeasureCharted:
    """A measure's chart; ``values`` are those of its points, in their order."""

    measure: RunMeasure
    values: tuple[RunValue, ...]
    chart: Chart


@dataclass(frozen=True)
class GoldenState:
    """A golden unit's checks of one baseline, their charts, and how the rig stands by them.

    ``checks`` are those that count; ``left_out`` were made by another text of the plan, or in
    another world, than the baseline's first.  ``why`` are sentences on what is wrong.
    """

    golden: GoldenKept
    baseline: BaselineKept
    checks: tuple[UnitRun, ...]
    left_out: int
    charts: tuple[MeasureCharted, ...]
    standing: GoldenStanding
    why: tuple[str, ...]
    text: str

    @property
    def checked_at(self) -> datetime | None:
        """When the newest check began."""
        return self.checks[-1].summary.started_at if self.checks else None


def state_of(
    golden: GoldenKept,
    runs: Sequence[UnitRun],
    today: date,
    *,
    every_days: int = 0,
    baseline: BaselineKept | None = None,
    calibrated_at: datetime | None = None,
    zone: tzinfo | None = None,
) -> GoldenState:
    """Return how the rig stands by the checks ``runs`` (oldest first) of a baseline (the newest).

    ``every_days``: a check is demanded so often (0: it is not), by the calendar of ``zone`` (None:
    this machine's), in which it is ``today``.  ``calibrated_at``: when the station was last
    calibrated, if ever.
    """
    baseline = baseline or golden.newest
    counted = tuple(run for run in runs if _alike(run, runs[0]))
    charts = tuple(
        _charted(counted, BY_NAME[name], golden) for name in golden.measures if name in BY_NAME
    )
    out = [*_failed(counted), *(text for each in charts for text in _alarms(each, counted))]
    look = [text for each in charts for text in _to_look_at(each, counted)]
    if calibrated_at is not None and calibrated_at > baseline.began_at:
        day = _day(calibrated_at.astimezone(zone))
        look.append(
            f"the station was calibrated on {day}, since this baseline began: begin another"
        )
    left = max((each.chart.left for each in charts), default=0)
    due = _due(counted, today, every_days, zone)
    left_out = len(runs) - len(counted)
    if out:
        standing = GoldenStanding.OUT
    elif due:
        standing = GoldenStanding.DUE
    elif left:
        standing = GoldenStanding.BASELINE
    else:
        standing = GoldenStanding.LOOK if look else GoldenStanding.IN_CONTROL
    state = GoldenState(
        golden,
        baseline,
        counted,
        left_out,
        charts,
        standing,
        tuple(out or ([due] if due else look)),
        "",
    )
    return GoldenState(
        golden,
        baseline,
        counted,
        left_out,
        charts,
        standing,
        state.why,
        _text(state, left, zone),
    )


def states(
    records: GoldenRecords,
    today: date,
    *,
    station: str | None = None,
    every_days: int = 0,
    zone: tzinfo | None = None,
) -> list[GoldenState]:
    """Return how the rig stands by each golden unit in use (on a station)."""
    return [
        newest_state(records, golden, today, every_days=every_days, zone=zone)
        for golden in records.in_use(station)
    ]


def newest_state(
    records: GoldenRecords,
    golden: GoldenKept,
    today: date,
    *,
    every_days: int = 0,
    zone: tzinfo | None = None,
) -> GoldenState:
    """Return how the rig stands by one golden unit, its newest baseline."""
    runs = records.checks(golden.golden_id)
    calibrated_at = None
    if runs:
        calibrated_at = records.calibrated_at(golden.station, simulated=runs[0].summary.simulated)
    return state_of(
        golden, runs, today, every_days=every_days, calibrated_at=calibrated_at, zone=zone
    )


def said_at_start(
    records: GoldenRecords, station: str, serial: str, plan: str, today: date, every_days: int
) -> dict[str, Any] | None:
    """Return what the golden units say of the rig when a run begins; None if there is none.

    A run that is a golden unit's check itself is told as that.
    """
    found = states(records, today, station=station, every_days=every_days)
    if not found:
        return None
    for state in found:
        if (state.golden.serial, state.golden.plan_name) == (serial, plan):
            return said(
                GoldenStanding.CHECK, f"This is a check of the golden unit {serial}.", serial=serial
            )
    worst = min(found, key=lambda state: WORST.index(state.standing))
    return said(worst.standing, worst.text, serial=worst.golden.serial, checked_at=worst.checked_at)


# --- charts -----------------------------------------------------------------------------------


def _alike(run: UnitRun, first: UnitRun) -> bool:
    same_plan = run.plan_text == first.plan_text
    return same_plan and run.summary.simulated == first.summary.simulated


def _charted(runs: Sequence[UnitRun], measure: RunMeasure, golden: GoldenKept) -> MeasureCharted:
    baseline = golden.baseline
    values = tuple(value for value in (value_of(run, measure) for run in runs) if value is not None)
    stated = [value.u for value in values[:baseline] if value.u is not None]
    least = LEAST_SHARE * sorted(stated)[len(stated) // 2] if stated else 0.0
    drawn = chart(
        [value.value for value in values],
        baseline,
        charts=max(1, len(golden.measures)),
        least_sigma=least,
    )
    return MeasureCharted(measure, values, drawn)


# --- words ------------------------------------------------------------------------------------


def _failed(runs: Sequence[UnitRun]) -> list[str]:
    if not runs or runs[-1].summary.verdict != Verdict.FAIL.value:
        return []
    return ["its last check failed a unit that is known to be good"]


def _newest(charted: MeasureCharted, runs: Sequence[UnitRun]) -> Point | None:
    """Return the point of the newest check; None if it has none on this chart."""
    if not runs or not charted.values or charted.values[-1].run is not runs[-1]:
        return None
    return charted.chart.points[-1]


def _alarms(charted: MeasureCharted, runs: Sequence[UnitRun]) -> list[str]:
    limits, label, unit = charted.chart.limits, _low(charted.measure), charted.measure.unit
    if limits is None:
        return []
    point = _newest(charted, runs)
    if point is None:
        return [f"its last check got no value of the {label}"]
    found = []
    if Signal.BEYOND in point.signals:
        found.append(
            f"the {label} of {limits.shown(point.value, unit)} lies beyond its control limits "
            f"{limits.shown(limits.low)} to {limits.shown(limits.high, unit)}"
        )
    elif Signal.DRIFT in point.signals and point.ewma is not None:
        way = "up" if point.ewma > limits.centre else "down"
        found.append(
            f"the {label} drifts {way}: smoothed, it is {limits.shown(point.ewma, unit)}, and was "
            f"{limits.shown(limits.centre, unit)}"
        )
    return found


_LOOKS = {
    Signal.TWO_OF_THREE: "two of three checks of the {} lie near the same limit",
    Signal.NINE_ON_ONE_SIDE: "nine checks of the {} lie on the same side of its centre",
    Signal.SPREAD: "the {} jumped from one check to the next by more than it usually does",
}


def _to_look_at(charted: MeasureCharted, runs: Sequence[UnitRun]) -> list[str]:
    point = _newest(charted, runs)
    signals = () if point is None else point.signals
    return [_LOOKS[signal].format(_low(charted.measure)) for signal in signals if signal in _LOOKS]


def _due(runs: Sequence[UnitRun], today: date, every_days: int, zone: tzinfo | None) -> str:
    if every_days < 1:
        return ""
    often = "every day" if every_days == 1 else f"every {every_days} days"
    if not runs:
        return f"the rig file demands a check {often}, and there is none yet"
    last = runs[-1].summary.started_at.astimezone(zone)
    if (today - last.date()).days < every_days:
        return ""
    return f"the rig file demands a check {often}, and the last one was on {_day(last)}"


def _text(state: GoldenState, left: int, zone: tzinfo | None) -> str:
    golden = state.golden
    of = f"golden unit {golden.serial}"
    at = state.checked_at
    when = "" if at is None else f" (last check {_day(at.astimezone(zone))})"
    why = "; ".join(state.why)
    check = f"`halfturn golden check {golden.serial}`"
    match state.standing:
        case GoldenStanding.OUT:
            return (
                f"The rig is OUT OF CONTROL by {of}{when}: {why}. Judge no unit before you know "
                f"why: look at terminals, supply and sensor, then check again with {check}. After "
                "a repair or a calibration begin a new baseline."
            )
        case GoldenStanding.DUE:
            return f"The rig is not checked by {of}: {why}. Check it with {check}."
        case GoldenStanding.BASELINE:
            done = golden.baseline - left
            more = f" {why}." if why else ""
            return (
                f"Whether the rig is in control is not known yet: {done} of {golden.baseline} "
                f"checks of {of} are made that set the limits.{more}"
            )
        case GoldenStanding.LOOK:
            return f"The rig is in control by {of}{when}, but {why}. Watch the next checks."
        case _:
            return f"The rig is in control by {of}{when}."


def _low(measure: RunMeasure) -> str:
    return measure.label[0].lower() + measure.label[1:]


def _day(when: datetime) -> str:
    return f"{when:%Y-%m-%d %H:%M}"
