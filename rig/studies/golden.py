"""How the rig stands by its golden units: their checks on control charts, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo
from functools import lru_cache
from pathlib import Path
from typing import Any

from rig.analysis.model import Verdict
from rig.plans import Plan, PlanError, plan_from_text
from rig.quality.control_chart import Chart, Point, Signal, chart
from rig.records.golden_records import GoldenRecords, dated_ahead
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

    All of one world, ``simulated`` or not: no check in the one vouches for the other.  ``checks``
    are those that count; ``left_out`` were made by another plan than the baseline's first,
    ``ahead`` are dated after today.  ``why`` are sentences on what is wrong.
    """

    golden: GoldenKept
    baseline: BaselineKept
    simulated: bool
    checks: tuple[UnitRun, ...]
    left_out: int
    ahead: int
    charts: tuple[MeasureCharted, ...]
    standing: GoldenStanding
    why: tuple[str, ...]
    text: str

    @property
    def made(self) -> int:
        """How many checks were made, whether they count or not."""
        return len(self.checks) + self.left_out + self.ahead

    @property
    def checked_at(self) -> datetime | None:
        """When the newest check that counts began."""
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
    """Return how the rig stands by the checks ``runs`` of a baseline (the newest).

    They are of one world, in the order in which they were recorded.  ``every_days``: a check is
    demanded so often (0: it is not), by the calendar of ``zone`` (None: this machine's), in which
    it is ``today``.  ``calibrated_at``: when the station was last calibrated, if ever.
    """
    baseline = baseline or golden.newest
    dated = [run for run in runs if not dated_ahead(run.summary.started_at, today, zone)]
    counted = tuple(run for run in dated if _same_plan(run, dated[0]))
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
    due, remedy = _no_count(golden, baseline, runs, counted, today, zone)
    due = due or _due(counted, today, every_days, zone)
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
        any(run.summary.simulated for run in runs),
        counted,
        len(dated) - len(counted),
        len(runs) - len(dated),
        charts,
        standing,
        tuple(out or ([due] if due else look)),
        "",
    )
    return replace(state, text=_text(state, left, remedy, zone))


def states(
    records: GoldenRecords,
    today: date,
    *,
    simulated: bool,
    station: str | None = None,
    every_days: int = 0,
    zone: tzinfo | None = None,
) -> list[GoldenState]:
    """Return how the rig of one world stands by each golden unit in use (on a station)."""
    return [
        newest_state(records, golden, today, simulated=simulated, every_days=every_days, zone=zone)
        for golden in records.in_use(station)
    ]


def newest_state(
    records: GoldenRecords,
    golden: GoldenKept,
    today: date,
    *,
    simulated: bool,
    every_days: int = 0,
    zone: tzinfo | None = None,
) -> GoldenState:
    """Return how the rig of one world stands by one golden unit, its newest baseline."""
    runs = records.checks(golden.golden_id, simulated=simulated, today=today, zone=zone)
    calibrated_at = None
    if runs:
        calibrated_at = records.calibrated_at(golden.station, simulated=simulated)
    return state_of(
        golden, runs, today, every_days=every_days, calibrated_at=calibrated_at, zone=zone
    )


def said_at_start(
    records: GoldenRecords,
    station: str,
    serial: str,
    plan: str,
    today: date,
    every_days: int,
    *,
    simulated: bool,
) -> dict[str, Any] | None:
    """Return what the golden units say of the rig when a run begins; None if there is none.

    ``simulated`` tells in which world it begins.  A run that is a golden unit's check itself is
    told as that.
    """
    found = states(records, today, simulated=simulated, station=station, every_days=every_days)
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


def _same_plan(run: UnitRun, first: UnitRun) -> bool:
    return run.plan_text == first.plan_text or _meant(run.plan_text) == _meant(first.plan_text)


@lru_cache(maxsize=64)
def _meant(plan_text: str) -> Plan | str:
    """Return what a plan demands, whatever its comments, layout and title."""
    try:
        plan = plan_from_text(plan_text, Path("plan.toml"))
    except PlanError:  # of another version of this program
        return plan_text
    return plan.model_copy(update={"text": "", "title": ""})


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


def _no_count(
    golden: GoldenKept,
    baseline: BaselineKept,
    runs: Sequence[UnitRun],
    counted: Sequence[UnitRun],
    today: date,
    zone: tzinfo | None,
) -> tuple[str, str]:
    """Return why the newest check tells nothing, and what to do about it; empty if it does."""
    check = f"check it with `halfturn golden check {golden.serial}`"
    began = baseline.began_at.astimezone(zone)
    if dated_ahead(began, today, zone):
        return (
            f"its baseline is dated {_day(began)}, after today, so that no check counts",
            "Set the computer's clock, then begin another baseline (`halfturn golden baseline "
            f'{golden.serial} --reason "clock set"`).',
        )
    if not runs or (counted and counted[-1] is runs[-1]):
        return "", ""
    at = runs[-1].summary.started_at.astimezone(zone)
    if dated_ahead(at, today, zone):
        return (
            f"its newest check is dated {_day(at)}, after today, and does not count",
            f"Set the computer's clock, then {check}.",
        )
    return (
        f"its newest check ({_day(at)}) was made by another text of the plan than its baseline, "
        "and does not count",
        "Was the plan changed on purpose? Then begin a new baseline (`halfturn golden baseline "
        f'{golden.serial} --reason "new plan"`); else put it back and {check}.',
    )


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


def _text(state: GoldenState, left: int, remedy: str, zone: tzinfo | None) -> str:
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
            return f"The rig is not checked by {of}: {why}. {remedy or f'Check it with {check}.'}"
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
