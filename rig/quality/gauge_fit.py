"""Is the rig fit to judge by this limit?  A gauge study held against limits and guard band."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rig.analysis.wording import amount
from rig.quality.decision import COVERAGE
from rig.quality.gauge_study import SIGMAS, GaugeStudy

GOOD_SHARE, WORST_SHARE = 0.10, 0.30
"""Up to 10 % a gauge is good, above 30 % not acceptable, between it depends on what it is used for
(AIAG's marks, from memory and public teaching texts)."""

LEAST_CATEGORIES = 5
"""Fewer classes of parts told apart are too few to follow a process by (AIAG, from memory)."""


class Fitness(StrEnum):
    """How fit the rig is to judge by one limit."""

    FIT = "fit"
    MARGINAL = "marginal"
    UNFIT = "unfit"
    NOT_KNOWN = "not_known"


@dataclass(frozen=True, slots=True)
class Judged:
    """What a measure is judged by: limits in its unit (None: none on that side).

    ``guard`` is the band that verdicts keep from a limit: the expanded uncertainty (k = 2) that the
    rig states for one value, None if it states none.
    """

    label: str
    unit: str
    low: float | None = None
    high: float | None = None
    guard: float | None = None

    @property
    def tolerance(self) -> float | None:
        """The width between the limits; None unless there are two."""
        if self.low is None or self.high is None or self.high <= self.low:
            return None
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Fit:
    """How fit, by which share of what, and in words.

    ``share`` is the gauge's spread as a share of ``basis``; ``guard_share`` the guard band's share
    of the way from the study's mean to the nearer limit; ``guard_used`` twice the gauge's standard
    deviation as a share of the guard band.  None: does not apply.
    """

    fitness: Fitness
    share: float | None
    basis: str
    guard_share: float | None
    guard_used: float | None
    text: str


def fit_of(study: GaugeStudy, judged: Judged) -> Fit:
    """Return how fit the rig is to judge by these limits.

    Two limits: six standard deviations of the gauge against the width between them (AIAG).  One
    limit has no width: three standard deviations against the way from the study's mean to the limit
    (common practice, no published source).  None: against the total spread of the study.  A stated
    guard band narrower than two standard deviations of the gauge leaves it marginal at best: the
    verdicts promise more than the rig keeps.
    """
    sd = study.gauge.sd
    way = _way(study.mean, judged)
    guard_share = None
    if judged.guard is not None and way is not None and way > 0:
        guard_share = judged.guard / way
    guard_used = COVERAGE * sd / judged.guard if judged.guard else None
    if judged.tolerance is not None:
        share: float | None = SIGMAS * sd / judged.tolerance
        basis = f"the tolerance of {amount(judged.tolerance, judged.unit)}"
    elif way is not None:
        share = SIGMAS / 2.0 * sd / way if way > 0 else None
        basis = f"the {amount(abs(way), judged.unit)} between the study's mean and the limit"
    else:
        share, basis = study.gauge.study, "the study's total spread"
    fitness = _fitness(share)
    if fitness is Fitness.FIT and guard_used is not None and guard_used > 1.0:
        fitness = Fitness.MARGINAL
    text = " ".join(_sentences(study, judged, fitness, share, basis, guard_share, guard_used))
    return Fit(fitness, share, basis, guard_share, guard_used, text)


def _way(mean: float, judged: Judged) -> float | None:
    """Return how far the mean is from the nearer limit, negative beyond it; None without limits."""
    ways = []
    if judged.high is not None:
        ways.append(judged.high - mean)
    if judged.low is not None:
        ways.append(mean - judged.low)
    return min(ways, default=None)


def _fitness(share: float | None) -> Fitness:
    if share is None:
        return Fitness.NOT_KNOWN
    if share > WORST_SHARE:
        return Fitness.UNFIT
    return Fitness.FIT if share <= GOOD_SHARE else Fitness.MARGINAL


_SAYS = {
    Fitness.FIT: "The rig is fit to judge the {label} by this plan",
    Fitness.MARGINAL: "By this plan the rig should judge the {label} only where little hangs on it",
    Fitness.UNFIT: "The rig is NOT fit to judge the {label} by this plan",
}

_TELLS = {Fitness.FIT: "well", Fitness.MARGINAL: "fairly", Fitness.UNFIT: "not well enough"}


def _sentences(
    study: GaugeStudy,
    judged: Judged,
    fitness: Fitness,
    share: float | None,
    basis: str,
    guard_share: float | None,
    guard_used: float | None,
) -> list[str]:
    label = judged.label[0].lower() + judged.label[1:]
    said = []
    if share is None:
        said.append(
            f"Whether the rig is fit to judge the {label} is not known: the mean of the study's "
            "parts lies beyond the limit. Choose parts like those that are judged."
        )
    elif judged.low is None and judged.high is None:
        said.append(
            f"The plan has no limit for the {label}, so the rig is held against the units of the "
            f"study: it tells them apart {_TELLS[fitness]}. Its spread takes {_percent(share)} of "
            f"{basis}."
        )
    else:
        said.append(
            f"{_SAYS[fitness].format(label=label)}: its spread takes {_percent(share)} of {basis}."
        )
    if guard_share is not None:
        said.append(
            f"The guard band of {amount(judged.guard or 0.0, judged.unit)} takes "
            f"{_percent(guard_share)} of the way from the mean to the limit: a unit in there is "
            "tested again."
        )
    if guard_used is not None and guard_used > 1.0:
        said.append(
            f"Two standard deviations of the gauge are {_percent(guard_used)} of that guard band: "
            "the uncertainty that the rig file states is too small. Find out why (connections, "
            "supply, who works it), or state more."
        )
    if judged.low is None and judged.high is None and study.categories < LEAST_CATEGORIES:
        said.append(
            f"It tells {study.categories} classes of these parts apart; "
            f"{LEAST_CATEGORIES} are usually asked for."
        )
    if study.repeatability.variance == 0.0:
        said.append(
            "Every repeated measurement gave the same value: the sensor's steps hide the "
            "repeatability, which is at most about such a step."
        )
    if fitness in (Fitness.MARGINAL, Fitness.UNFIT):
        said.append(_cause(study))
    return said


def _cause(study: GaugeStudy) -> str:
    if study.repeatability.variance >= study.reproducibility.variance:
        return (
            "Most of it is repeatability: the same hands get another value. Look at terminals, "
            "supply and sensor."
        )
    return (
        "Most of it is reproducibility: it matters who works the rig. Look at how the unit is "
        "clamped, connected and warmed up."
    )


def _percent(share: float) -> str:
    percent = 100.0 * share
    return f"{percent:.1f} %" if percent < 9.95 else f"{percent:.0f} %"
