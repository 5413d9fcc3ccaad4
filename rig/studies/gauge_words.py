"""Gauge studies as text, 80 columns wide, for command and console."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from math import isfinite

from rig.quality.gauge_study import AnovaLine, GaugeStudy, RangeStudy, Share
from rig.records.study_model import StudyKept, TrialKept
from rig.studies.gauge import GaugeResults, MeasureStudied

_BAR = 24
_NAMES = {
    "gauge": "rig and people",
    "repeatability": "  repeatability",
    "reproducibility": "  reproducibility",
    "operator": "    operator",
    "operator x part": "    operator x part",
    "part": "units",
    "total": "total",
}


def named(share: Share) -> str:
    """Return a component's name, set in as far as it is a part of another."""
    return _NAMES[share.name]


def progress_words(study: StudyKept) -> str:
    """Return how far a study is, in a sentence."""
    done, count = study.done, len(study.trials)
    following = study.next_trial
    if following is None:
        return f"all {count} trials are done"
    return f"{done} of {count} trials done; next: {trial_words(following)}"


def trial_words(trial: TrialKept, count: int | None = None) -> str:
    """Return which trial it is, of ``count`` if given: number, unit, who, and for which time."""
    of = "," if count is None else f" of {count}:"
    return f"trial {trial.position}{of} unit {trial.part} by {trial.operator}, {_time(trial.trial)}"


def _time(trial: int) -> str:
    word = {1: "first", 2: "second", 3: "third"}.get(trial)
    return f"{word or f'{trial}th'} time"


def order_lines(study: StudyKept) -> Iterator[str]:
    """Yield every trial in its order, with its runs."""
    width = max(len(trial.part) for trial in study.trials)
    who = max(len(trial.operator) for trial in study.trials)
    for trial in study.trials:
        counting = trial.run
        mark = "done" if counting else "to do"
        line = f"{trial.position:>4}  {trial.part:<{width}}  {trial.operator:<{who}}  {trial.trial}"
        run = f"  {str(counting.run_id)[:8]}" if counting else ""
        yield f"{line}  {mark}{run}"
        for other in trial.runs:
            if other is not counting:
                why = f"set aside: {other.set_aside}" if other.set_aside else str(other.state)
                if other.counts:
                    why = "an earlier one"
                yield f"        not counted: {str(other.run_id)[:8]}, {why}"


def results_lines(results: GaugeResults) -> Iterator[str]:
    """Yield what a study came to, measure by measure."""
    for studied in results.measures:
        yield ""
        yield from measure_lines(studied)


def measure_lines(studied: MeasureStudied, *, table: bool = False) -> Iterator[str]:
    """Yield one measure's components as bars, and how fit the rig is; with the table if asked."""
    measure, result = studied.measure, studied.result
    yield f"{measure.label}, {measure.unit}  [{measure.name}]"
    if result is None:
        yield from _wrapped(studied.missing)
        return
    with_tolerance = result.tolerance is not None
    head = f"  {'':<21}{'std dev':>10}{'% study':>9}{'% contr.':>10}"
    yield head + (f"{'% toler.':>10}" if with_tolerance else "")
    for share in result.shares:
        line = (
            f"  {named(share):<21}{_number(share.sd):>10}{_percent(share.study):>9}"
            f"{_percent(share.contribution):>10}"
        )
        if share.tolerance is not None:
            line += f"{_percent(share.tolerance):>10}"
        yield f"{line}  {'#' * round(_BAR * min(1.0, share.study))}".rstrip()[:80]
    yield f"  distinct categories: {_categories(result.categories)}"
    if table:
        yield from (f"  {line}" for line in table_lines(result))
        if studied.ranges is not None:
            yield from _wrapped(_by_ranges(studied.ranges))
    if studied.ranges is not None and studied.ranges.outside:
        yield from _wrapped(_scattered(studied.ranges, measure.unit))
    if studied.fit is not None:
        yield from _wrapped(studied.fit.text)


def _by_ranges(ranges: RangeStudy) -> str:
    """Return the same study as it comes out by hand, without the interaction."""
    return (
        f"By averages and ranges: rig and people {_number(ranges.gauge)} "
        f"({_percent(ranges.gauge / ranges.total) if ranges.total > 0.0 else 0} % of the study), "
        f"repeatability {_number(ranges.repeatability)}, reproducibility "
        f"{_number(ranges.reproducibility)}, units {_number(ranges.part)}, "
        f"{ranges.categories} distinct categories."
    )


def _scattered(ranges: RangeStudy, unit: str) -> str:
    """Return whose trials of which unit differ more than the other trials let expect."""
    named = [f"unit {part} by {operator}" for part, operator in ranges.outside]
    more = f" and {len(named) - 3} more" if len(named) > 3 else ""
    return (
        f"Trials that differ by more than {_number(ranges.range_limit)} {unit}, as the others do "
        f"not: {', '.join(named[:3])}{more}. Look at these runs."
    )


def _categories(count: int) -> str:
    """Return into how many groups the rig can sort the units of the study, and what that is."""
    if count < 2:
        return f"{count} (these units differ too little to be sorted by it)"
    return f"{count} (groups that the rig can sort these units into)"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 78, initial_indent="  ", subsequent_indent="  ")


def table_lines(result: GaugeStudy) -> Iterator[str]:
    """Yield the analysis of variance as a table, and the intervals of the components."""
    yield f"{'':<21}{'df':>5}{'sum sq':>12}{'mean sq':>12}{'F':>9}{'p':>8}"
    for line in result.table:
        yield _anova(line)
    if result.pooled and result.tested is not None:
        yield f"{_anova(result.tested)}  pooled"
    for share in (result.repeatability, result.gauge):
        if share.low is not None and share.high is not None:
            yield (
                f"{named(share).strip()}: standard deviation {_number(share.low**0.5)} to "
                f"{_number(share.high**0.5)} (95 %)"
            )


def _anova(line: AnovaLine) -> str:
    mean = _number(line.mean_sq) if isfinite(line.mean_sq) else ""
    f = "" if line.f is None else f"{line.f:.2f}"
    p = "" if line.p is None else f"{line.p:.3f}"
    return f"{line.source:<21}{line.df:>5}{_number(line.sum_sq):>12}{mean:>12}{f:>9}{p:>8}"


def _number(value: float) -> str:
    return f"{value:.4g}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"
