"""A gauge study: how much of what is measured is the rig, how much whoever works it, how much the
unit.  Parts x operators x trials, all crossed, by the analysis of variance of random factors.

Source: AIAG, Measurement Systems Analysis, 4th edition, chapter III-B, whose worked example the
tests hold this to (numbers seen in public copies; the text of the manual was not).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, fdtrc

from rig.quality.range_constants import d2, d2_star, range_limits

POOL_ABOVE_P = 0.25
"""The interaction is pooled with the repeatability where its p is above this: as the published
example does it (AIAG, from memory: alpha to remove the interaction 0.25)."""

SIGMAS = 6.0
"""The width of a distribution in standard deviations, as the published example takes it."""

Cells = NDArray[np.float64]
"""Values by part, operator and trial."""


class StudyError(ValueError):
    """The values cannot be studied so; the message is a sentence that says why."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value: of which part, by whom, and in which of that operator's trials of it."""

    part: str
    operator: str
    trial: int
    value: float


@dataclass(frozen=True, slots=True)
class AnovaLine:
    """A line of the table; ``f`` and ``p`` are None where nothing is tested.

    ``against`` names the line whose mean square F is formed with.
    """

    source: str
    df: int
    sum_sq: float
    mean_sq: float
    f: float | None = None
    p: float | None = None
    against: str = ""


@dataclass(frozen=True, slots=True)
class Share:
    """A component of variance, in the measure's unit squared, and what it amounts to.

    ``study`` is its share of the total standard deviation, ``contribution`` of the total variance,
    ``tolerance`` of the tolerance's width (None: there is none), each 0 to 1 or above.  ``low`` and
    ``high`` bound the component (None: no sound interval is known for it).
    """

    name: str
    variance: float
    study: float
    contribution: float
    tolerance: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def sd(self) -> float:
        """The standard deviation."""
        return sqrt(self.variance)


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What a study came to.

    ``interaction`` is None where it was pooled; ``reproducibility`` holds it otherwise.
    ``categories`` is the number of classes of parts that can be told apart, truncated.
    ``table`` is the table as it is used, ``tested`` the line of the interaction as it was tested.
    """

    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    mean: float
    table: tuple[AnovaLine, ...]
    tested: AnovaLine | None
    pooled: bool
    repeatability: Share
    operator: Share
    interaction: Share | None
    reproducibility: Share
    gauge: Share
    part: Share
    total: Share
    categories: int
    tolerance: float | None

    @property
    def shares(self) -> tuple[Share, ...]:
        """The components from the whole gauge to the total, as they are listed."""
        within = (self.operator, self.interaction) if self.interaction else ()
        return (
            self.gauge,
            self.repeatability,
            self.reproducibility,
            *within,
            self.part,
            self.total,
        )


def study(
    readings: Iterable[Reading],
    *,
    tolerance: float | None = None,
    pool_above_p: float = POOL_ABOVE_P,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Return the study of ``readings``; raises StudyError unless every cell is there.

    ``tolerance`` is the width between a lower and an upper limit, in the readings' unit.  A
    component that comes out negative is taken as 0.  The repeatability's interval is exact
    (chi-square), the whole gauge's is the modified large-sample one of Graybill and Wang (JASA 75,
    1980; from memory), held to a simulation by the tests; ``confidence`` is theirs.
    """
    parts, operators, cells = crossed(readings)
    if tolerance is not None and not (isfinite(tolerance) and tolerance > 0):
        raise StudyError(f"A tolerance of {tolerance} has no width; give it above 0.")
    p, o, r = cells.shape
    lines, tested = _table(cells, pool_above_p)
    squares = {line.source: line for line in lines}
    noise = squares["repeatability"]
    crossed_line = squares.get("interaction", noise)
    pooled = "interaction" not in squares
    interaction = 0.0 if pooled else max(0.0, (crossed_line.mean_sq - noise.mean_sq) / r)
    operator = max(0.0, (squares["operator"].mean_sq - crossed_line.mean_sq) / (p * r))
    part = max(0.0, (squares["part"].mean_sq - crossed_line.mean_sq) / (o * r))
    reproducibility = operator + interaction
    gauge = noise.mean_sq + reproducibility
    total = gauge + part
    if not total > 0.0:
        raise StudyError(
            "Every value is the same, so there is nothing to compare the gauge with. Choose a "
            "measure with more digits, or parts that differ."
        )
    noise_range = _sum_range([(1.0, noise)], confidence)
    gauge_range = _sum_range(
        _gauge_parts(squares["operator"], crossed_line, noise, p, r), confidence
    )

    def share(name: str, variance: float, ends: tuple[float, float] | None = None) -> Share:
        low, high = ends or (None, None)
        sd = sqrt(variance)
        wide = None if tolerance is None else SIGMAS * sd / tolerance
        return Share(name, variance, sd / sqrt(total), variance / total, wide, low, high)

    return GaugeStudy(
        parts,
        operators,
        r,
        float(cells.mean()),
        lines,
        tested,
        pooled,
        share("repeatability", noise.mean_sq, noise_range),
        share("operator", operator),
        None if pooled else share("operator x part", interaction),
        share("reproducibility", reproducibility),
        share("gauge", gauge, gauge_range),
        share("part", part),
        share("total", total),
        categories_of(part, gauge),
        tolerance,
    )


def categories_of(part: float, gauge: float) -> int:
    """Return the number of distinct categories of variances ``part`` and ``gauge``: truncated."""
    if gauge <= 0.0:
        return 1000 if part > 0.0 else 0
    return min(1000, int(sqrt(2.0) * sqrt(part / gauge)))


def crossed(readings: Iterable[Reading]) -> tuple[tuple[str, ...], tuple[str, ...], Cells]:
    """Return parts, operators and the values by part, operator and trial.

    Raises StudyError with a sentence that names what is missing or there twice.
    """
    found: dict[tuple[str, str], dict[int, float]] = defaultdict(dict)
    for reading in readings:
        where = f"part {reading.part}, {reading.operator or 'no operator'}, trial {reading.trial}"
        if not isfinite(reading.value):
            raise StudyError(f"There is no value for {where}. Repeat that trial.")
        cell = found[reading.part, reading.operator]
        if reading.trial in cell:
            raise StudyError(f"There are two values for {where}. Leave one of them out.")
        cell[reading.trial] = reading.value
    parts = tuple(dict.fromkeys(part for part, _ in found))
    operators = tuple(dict.fromkeys(operator for _, operator in found))
    trials = sorted({trial for cell in found.values() for trial in cell})
    for wanted, least, name in (
        (parts, 2, "parts"),
        (operators, 2, "operators"),
        (trials, 2, "trials"),
    ):
        if len(wanted) < least:
            raise StudyError(
                f"A gauge study needs at least {least} {name}, and there "
                f"{'is' if len(wanted) == 1 else 'are'} {len(wanted)}: what they add could not be "
                "told from the rest."
            )
    missing = [
        f"part {part}, {operator}, trial {trial}"
        for part in parts
        for operator in operators
        for trial in trials
        if trial not in found.get((part, operator), {})
    ]
    if missing:
        named = "; ".join(missing[:3]) + (f" and {len(missing) - 3} more" if missing[3:] else "")
        raise StudyError(
            f"Every operator must have measured every part as often, and {len(missing)} "
            f"{'value is' if len(missing) == 1 else 'values are'} missing: {named}. Make those "
            "trials."
        )
    values = [[[found[p, o][t] for t in trials] for o in operators] for p in parts]
    return parts, operators, np.array(values, dtype=np.float64)


# --- the table --------------------------------------------------------------------------------


def _table(cells: Cells, pool_above_p: float) -> tuple[tuple[AnovaLine, ...], AnovaLine]:
    """Return the lines that are used, and the interaction's as it was tested."""
    p, o, r = cells.shape
    centred = cells - cells.mean()  # the sums of squares keep their digits
    by_part, by_operator = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2))
    by_cell = centred.mean(axis=2)
    mixed = by_cell - by_part[:, None] - by_operator[None, :]
    sums = {
        "part": o * r * float(np.sum(by_part**2)),
        "operator": p * r * float(np.sum(by_operator**2)),
        "interaction": r * float(np.sum(mixed**2)),
        "repeatability": float(np.sum((centred - by_cell[:, :, None]) ** 2)),
    }
    # What is left of equal values by rounding is no variance.
    nothing = cells.size * (4.0 * np.finfo(np.float64).eps * float(np.abs(cells).max())) ** 2
    sums = {name: 0.0 if total <= nothing else total for name, total in sums.items()}
    free = {
        "part": p - 1,
        "operator": o - 1,
        "interaction": (p - 1) * (o - 1),
        "repeatability": p * o * (r - 1),
    }
    noise = _line("repeatability", free, sums)
    tested = _line("interaction", free, sums, noise)
    pooled = tested.p is not None and tested.p > pool_above_p
    if pooled:
        sums["repeatability"] += sums.pop("interaction")
        free["repeatability"] += free.pop("interaction")
        noise = _line("repeatability", free, sums)
    against = noise if pooled else tested
    total = AnovaLine("total", p * o * r - 1, float(np.sum(centred**2)), float("nan"))
    lines = [_line("part", free, sums, against), _line("operator", free, sums, against)]
    if not pooled:
        lines.append(tested)
    return (*lines, noise, total), tested


def _line(
    source: str, free: dict[str, int], sums: dict[str, float], against: AnovaLine | None = None
) -> AnovaLine:
    df, sum_sq = free[source], sums[source]
    mean_sq = sum_sq / df
    if against is None:
        return AnovaLine(source, df, sum_sq, mean_sq)
    f = inf if mean_sq > 0.0 else 0.0
    if against.mean_sq > 0.0:
        f = mean_sq / against.mean_sq
    p = float(fdtrc(df, against.df, f)) if isfinite(f) else 0.0
    return AnovaLine(source, df, sum_sq, mean_sq, f, p, against.source)


# --- intervals --------------------------------------------------------------------------------


def _gauge_parts(
    operator: AnovaLine, crossed_line: AnovaLine, noise: AnovaLine, p: int, r: int
) -> list[tuple[float, AnovaLine]]:
    """Return the whole gauge's variance as a sum of mean squares with their (positive) weights."""
    if crossed_line is noise:
        return [(1.0 / (p * r), operator), (1.0 - 1.0 / (p * r), noise)]
    return [
        (1.0 / (p * r), operator),
        ((p - 1.0) / (p * r), crossed_line),
        ((r - 1.0) / r, noise),
    ]


def _sum_range(parts: Sequence[tuple[float, AnovaLine]], confidence: float) -> tuple[float, float]:
    """Return an interval for a positively weighted sum of mean squares."""
    tail = (1.0 - confidence) / 2.0
    middle = sum(weight * line.mean_sq for weight, line in parts)
    below = above = 0.0
    for weight, line in parts:
        size = weight * line.mean_sq
        below += ((1.0 - line.df / float(chdtri(line.df, tail))) * size) ** 2
        above += ((line.df / float(chdtri(line.df, 1.0 - tail)) - 1.0) * size) ** 2
    return max(0.0, middle - sqrt(below)), middle + sqrt(above)


# --- by ranges --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """The same by averages and ranges, in standard deviations; without the interaction.

    ``outside`` are the (part, operator) whose range lies above ``range_limit``.
    """

    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    categories: int
    mean_range: float
    range_limit: float
    outside: tuple[tuple[str, str], ...]


def study_by_ranges(readings: Iterable[Reading]) -> RangeStudy:
    """Return the study by averages and ranges; raises StudyError unless every cell is there."""
    parts, operators, cells = crossed(readings)
    p, o, r = cells.shape
    ranges = np.ptp(cells, axis=2)
    mean_range = float(ranges.mean())
    repeatability = mean_range / d2(r)
    between = float(np.ptp(cells.mean(axis=(0, 2)))) / d2_star(o)
    reproducibility = sqrt(max(0.0, between**2 - repeatability**2 / (p * r)))
    part = float(np.ptp(cells.mean(axis=(1, 2)))) / d2_star(p)
    gauge = sqrt(repeatability**2 + reproducibility**2)
    limit = range_limits(r)[1] * mean_range
    outside = tuple(
        (parts[i], operators[k]) for i, k in np.argwhere(ranges > limit * (1.0 + 1e-12)).tolist()
    )
    return RangeStudy(
        repeatability,
        reproducibility,
        gauge,
        part,
        sqrt(gauge**2 + part**2),
        categories_of(part**2, gauge**2),
        mean_range,
        limit,
        outside,
    )
