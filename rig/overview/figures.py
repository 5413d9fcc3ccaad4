"""What is said of a group of tested units, and whether one bench reads otherwise.  Pure."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import combinations
from statistics import fmean, median, stdev

import numpy as np
from scipy.special import stdtr, stdtrit

from rig.labels import name_key
from rig.quality.lots import ProcessAverage, process_average

REASONS_TOLD = 3
SIGNIFICANCE = 0.05
LEAST_PAIRS = 3  # units on two benches, before an interval is worth anything (guess)


Values = dict[str, dict[str, float]]
"""What a run measured, by measure and step: the mean of the half-turns that parked.

``to_run_s`` and ``to_stop_s`` are at the plan's nominal voltage, ``to_run_raw_s`` and
``to_stop_raw_s`` as they were measured, where they were not worked out for another; ``run_a``.
"""


@dataclass(frozen=True)
class JudgedRun:
    """A run that has a verdict: of which unit, when (UTC), on which bench, and why it failed.

    ``plan`` tells plans of different texts apart.  ``reasons`` are the measures that were beyond
    their limits.
    """

    unit: str
    unit_type: str
    plan: str
    bench: str
    at: datetime
    verdict: str
    reasons: tuple[str, ...] = ()
    values: Values = field(default_factory=dict)


@dataclass(frozen=True)
class Item:
    """An item of a lot's sample and the runs made for it that count, in their order."""

    runs: tuple[JudgedRun, ...] = ()
    untestable: bool = False


@dataclass(frozen=True)
class Lot:
    """A lot by its supplier, how it was closed (None: open), and its sample."""

    supplier: str
    accepted: bool | None
    items: tuple[Item, ...] = ()


@dataclass(frozen=True)
class Line:
    """What is said of one group.

    ``average`` is the share of units that did not conform, with its interval (95 %, Clopper and
    Pearson); None if nothing was judged.  ``first_pass`` of ``judged`` units passed at the first
    try.  ``reasons`` are the commonest: measure and how many units it failed.
    """

    name: str
    judged: int
    nonconforming: int
    first_pass: int
    average: ProcessAverage | None
    reasons: tuple[tuple[str, int], ...]
    lots: int = 0
    accepted: int = 0
    not_accepted: int = 0


CONCLUSIVE = ("pass", "fail")
NOT_TESTABLE = "not testable"


def lines_by(tests: Iterable[JudgedRun], group: Callable[[JudgedRun], str]) -> list[Line]:
    """Return a line a group, by name: a unit counts by the last run in it that passed or failed."""
    runs: dict[str, dict[Hashable, list[JudgedRun]]] = defaultdict(lambda: defaultdict(list))
    for test in tests:
        runs[group(test)][test.unit_type, test.unit].append(test)
    return [
        _line(name, [(_last(each), each) for each in units.values()])
        for name, units in sorted(runs.items())
    ]


def lines_of_suppliers(lots: Iterable[Lot]) -> list[Line]:
    """Return a line a supplier: an item counts by the first of its runs that passed or failed.

    That is the rule by which lots are judged; an item that could not be tested and was counted so
    did not conform.
    """
    of: dict[str, list[Lot]] = defaultdict(list)
    for lot in lots:
        of[name_key(lot.supplier)].append(lot)
    lines = []
    for _, theirs in sorted(of.items()):
        items = [item for lot in theirs for item in lot.items]
        judged = [(_first(item), list(item.runs)) for item in items if not item.untestable]
        lines.append(
            _line(
                theirs[0].supplier,
                judged,
                untestable=sum(item.untestable for item in items),
                lots=len(theirs),
                accepted=sum(lot.accepted is True for lot in theirs),
                not_accepted=sum(lot.accepted is False for lot in theirs),
            )
        )
    return lines


def _last(runs: Sequence[JudgedRun]) -> JudgedRun | None:
    conclusive = [run for run in runs if run.verdict in CONCLUSIVE]
    return max(conclusive, key=lambda run: run.at, default=None)


def _first(item: Item) -> JudgedRun | None:
    return next((run for run in item.runs if run.verdict in CONCLUSIVE), None)


def _line(
    name: str,
    units: Sequence[tuple[JudgedRun | None, Sequence[JudgedRun]]],
    untestable: int = 0,
    lots: int = 0,
    accepted: int = 0,
    not_accepted: int = 0,
) -> Line:
    decided = [(run, runs) for run, runs in units if run is not None]
    failed = [run for run, _ in decided if run.verdict == "fail"]
    reasons = Counter(reason for run in failed for reason in set(run.reasons))
    if untestable:
        reasons[NOT_TESTABLE] = untestable
    judged = len(decided) + untestable
    bad = len(failed) + untestable
    first = sum(min(runs, key=lambda run: run.at).verdict == "pass" for _, runs in decided)
    common = sorted(reasons.items(), key=lambda each: (-each[1], each[0]))[:REASONS_TOLD]
    average = process_average([(judged, bad)])
    return Line(name, judged, bad, first, average, tuple(common), lots, accepted, not_accepted)


# --- does one bench read otherwise ------------------------------------------------------------


@dataclass(frozen=True)
class Spread:
    """The median of a bench's runs of one unit type and plan, and its middle half.

    A run counts by the mean of its steps; one that lacks a step that others have is left out.
    """

    unit_type: str
    plan: str
    measure: str
    bench: str
    runs: int
    median: float
    low: float
    high: float


@dataclass(frozen=True)
class Paired:
    """The same units by the same plan on two benches: the mean of the differences, other - one.

    ``u`` is the half-width of its 95 % interval by Student's t, ``p`` the two-sided probability of
    so large a mean if there were no difference; both None with fewer than LEAST_PAIRS units.
    ``differs``: there is one, with 5 % at most that any of all those told is by chance (`pairs`).
    """

    unit_type: str
    plan: str
    measure: str
    one: str
    other: str
    units: int
    difference: float
    u: float | None
    p: float | None = None
    differs: bool = False

    @property
    def stands_out(self) -> bool:
        """Tell whether its own interval leaves nought out, as one in twenty does by chance."""
        return self.u is not None and abs(self.difference) > self.u


_Key = tuple[str, str, str]  # unit type, plan, measure


def spreads(tests: Iterable[JudgedRun]) -> list[Spread]:
    """Return what each bench reads of each unit type, plan and measure."""
    found: dict[_Key, list[tuple[str, dict[str, float]]]] = defaultdict(list)
    for test in tests:
        for measure, by_step in test.values.items():
            found[test.unit_type, test.plan, measure].append((test.bench, by_step))
    told = []
    for key, runs in sorted(found.items()):
        steps = set().union(*(by_step for _, by_step in runs))
        whole: dict[str, list[float]] = defaultdict(list)
        for bench, by_step in runs:
            if by_step.keys() == steps:
                whole[bench].append(fmean(by_step.values()))
        for bench, some in sorted(whole.items()):
            quartiles = (float(q) for q in np.percentile(some, (50, 25, 75)))
            told.append(Spread(*key, bench, len(some), *quartiles))
    return told


def pairs(tests: Iterable[JudgedRun]) -> list[Paired]:
    """Return every two benches that tested the same units, by unit type, plan and measure.

    Each unit counts once: by the mean, over the steps that both benches have of it, of the
    differences of the medians of its runs there.  Which differ is decided over all of them
    together (Holm, Scandinavian Journal of Statistics 6, 1979, p. 65).
    """
    found: dict[_Key, dict[str, dict[str, dict[str, list[float]]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(lambda: defaultdict(list)))
    )
    for test in tests:
        for measure, by_step in test.values.items():
            of_unit = found[test.unit_type, test.plan, measure][test.bench][test.unit]
            for step, value in by_step.items():
                of_unit[step].append(value)
    paired = []
    for key, benches in sorted(found.items()):
        for one, other in combinations(sorted(benches), 2):
            differences = [
                fmean(median(theirs[step]) - median(ours[step]) for step in common)
                for unit, ours in sorted(benches[one].items())
                if (theirs := benches[other].get(unit)) and (common := ours.keys() & theirs.keys())
            ]
            if differences:
                mean, u = mean_difference(differences)
                p = None if u is None else chance_of(differences)
                paired.append(Paired(*key, one, other, len(differences), mean, u, p))
    return _decided(paired)


def _decided(paired: Sequence[Paired]) -> list[Paired]:
    """Return the pairs with ``differs`` by Holm's rule: from the least likely on, while it holds.

    So the chance that any is told where there is none is ``SIGNIFICANCE`` at most.
    """
    tried = sorted((pair.p, at) for at, pair in enumerate(paired) if pair.p is not None)
    differ: set[int] = set()
    for rank, (p, at) in enumerate(tried):
        if p > SIGNIFICANCE / (len(tried) - rank):
            break
        differ.add(at)
    return [replace(pair, differs=at in differ) for at, pair in enumerate(paired)]


def mean_difference(differences: Sequence[float]) -> tuple[float, float | None]:
    """Return the mean of paired differences and the half-width of its 95 % interval.

    Student's t with n - 1 degrees of freedom (Student, Biometrika 6, 1908); None for so few pairs
    that it says nothing.
    """
    n = len(differences)
    if n < LEAST_PAIRS:
        return fmean(differences), None
    t = float(stdtrit(n - 1, 1 - SIGNIFICANCE / 2))
    return fmean(differences), t * stdev(differences) / math.sqrt(n)


def chance_of(differences: Sequence[float]) -> float:
    """Return the two-sided probability of so large a mean of paired differences, were there none.

    By Student's t, for two differences at least.
    """
    n, mean = len(differences), fmean(differences)
    error = stdev(differences) / math.sqrt(n)
    if error == 0.0:
        return 1.0 if mean == 0.0 else 0.0
    return float(2 * stdtr(n - 1, -abs(mean) / error))
