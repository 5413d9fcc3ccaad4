"""Golden units and their charts as text, for the command line."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from rig.quality.control_chart import Point, Signal
from rig.studies.golden import GoldenState, MeasureCharted

SIGNALS = {
    Signal.BEYOND: "beyond its limits",
    Signal.DRIFT: "drift",
    Signal.SPREAD: "jump",
    Signal.TWO_OF_THREE: "two of three near a limit",
    Signal.NINE_ON_ONE_SIDE: "nine on one side",
}


def state_lines(state: GoldenState) -> Iterator[str]:
    """Yield what a golden unit is and how the rig stands by it."""
    golden, baseline = state.golden, state.baseline
    began = f"{baseline.began_at.astimezone():%Y-%m-%d %H:%M}"
    bench = ", simulated bench" if state.simulated else ""
    yield f"{golden.serial}, plan {golden.plan_name}, station {golden.station}{bench}"
    count = len(golden.baselines)
    which = f"baseline {baseline.number} of {count}" if count > 1 else "baseline"
    checks = "1 check" if len(state.checks) == 1 else f"{len(state.checks)} checks"
    yield f"  {which} since {began} ({baseline.reason}): {checks}"
    yield from _wrapped(left_out_words(state))
    yield from _wrapped(state.text)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 78, initial_indent="  ", subsequent_indent="  ")


def left_out_words(state: GoldenState) -> str:
    """Return which checks do not count; "" if all do."""
    found = []
    if state.left_out:
        found.append(f"{_checks_are(state.left_out)} left out: made by another text of the plan.")
    if state.ahead:
        found.append(f"{_checks_are(state.ahead)} left out: dated after today.")
    return " ".join(found)


def _checks_are(count: int) -> str:
    return "1 check is" if count == 1 else f"{count} checks are"


def chart_lines(charted: MeasureCharted) -> Iterator[str]:
    """Yield a chart as numbers: its limits, then every check."""
    measure, limits = charted.measure, charted.chart.limits
    yield f"{measure.label}, {measure.unit}  [{measure.name}]"
    if limits is None:
        yield f"  {charted.chart.left} checks more set the limits"
    else:
        yield (
            f"  limits {limits.shown(limits.low)} to {limits.shown(limits.high)}, centre "
            f"{limits.shown(limits.centre)}"
        )
    for number, (value, point) in enumerate(
        zip(charted.values, charted.chart.points, strict=True), start=1
    ):
        when = f"{value.run.summary.started_at.astimezone():%Y-%m-%d %H:%M}"
        shown = f"{point.value:.5g}" if limits is None else limits.shown(point.value)
        smooth = "baseline"
        if limits is not None and point.ewma is not None:
            smooth = f"smoothed {limits.shown(point.ewma)}"
        yield f"  {number:>4}  {when}  {shown:>10}  {smooth}{_said(point)}"


def _said(point: Point) -> str:
    words = ", ".join(SIGNALS[signal] for signal in point.signals)
    return f"  {words}" if words else ""
