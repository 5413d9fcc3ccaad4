"""What is said of a group of tested units, and whether one bench reads otherwise.  Pure."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import combinations
from statistics import fmean, median, stdev

import numpy as np
from scipy.special import stdtrit

from rig.labels import name_key
from rig.quality.lots import ProcessAverage, process_average

REASONS_TOLD = 3
LEAST_PAIRS = 3  # units on two benches, before an interval is worth anything (guess)


@dataclass(frozen=True)
class JudgedRun:
    """A run that has a verdict: of which unit, when (UTC), on which bench, and why it failed.

    ``values`` are what it measured, by name and by the place in the plan (a step, and for
    ``run_a`` a direction): the mean of the half-turns there that parked.  ``to_run_s`` and
    ``to_stop_s`` are at the plan's nominal voltage, ``to_run_as_taken_s`` ... as the supply was.
    ``plan`` is one for runs whose values compare.  ``reasons`` are the measures that were beyond
    their limits.
    """

    unit: str
    unit_type: str
    plan: str
    bench: str
    at: datetime
    verdict: str
    reasons: tuple[str, ...] = ()
    values: dict[str, dict[str, float]] = field(default_factory=dict)


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
    """The median of a bench's runs of one unit type and plan, and its middle half."""

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

    ``u`` is the half-width of its interval by Student's t; None with fewer than LEAST_PAIRS units.
    All the intervals of a report hold together with 95 % confidence.
    """

    unit_type: str
    plan: str
    measure: str
    one: str
    other: str
    units: int
    difference: float
    u: float | None

    @property
    def differs(self) -> bool:
        """Tell whether the interval leaves nought out."""
        return self.u is not None and abs(self.difference) > self.u


AS_TAKEN = {"to_run_as_taken_s": "to_run_s", "to_stop_as_taken_s": "to_stop_s"}
"""Times as the supply was, which compare only where none is known at nominal voltage."""

_Places = dict[str, float]
_Of = tuple[str, str, str]  # unit type, plan, measure


def _compared(tests: Iterable[JudgedRun]) -> list[tuple[_Of, JudgedRun, _Places]]:
    """Return the values that compare, each with what it is of."""
    found = [
        ((test.unit_type, test.plan, measure), test, places)
        for test in tests
        for measure, places in test.values.items()
        if places
    ]
    there = {of for of, _, _ in found}

    def known_better(of: _Of) -> bool:
        unit_type, plan, measure = of
        return (unit_type, plan, AS_TAKEN.get(measure, "")) in there

    return [each for each in found if not known_better(each[0])]


def spreads(tests: Iterable[JudgedRun]) -> list[Spread]:
    """Return what each bench reads of each unit type, plan and measure.

    A run whose half-turns were not those of most runs (it was cut short, say) is left out: it
    would have another mean.
    """
    values: dict[_Of, dict[str, list[_Places]]] = defaultdict(lambda: defaultdict(list))
    for of, test, places in _compared(tests):
        values[of][test.bench].append(places)
    made = []
    for of, benches in sorted(values.items()):
        alike = Counter(frozenset(places) for some in benches.values() for places in some)
        usual = max(alike, key=lambda places: (alike[places], len(places), sorted(places)))
        for bench, some in sorted(benches.items()):
            whole = [fmean(places.values()) for places in some if places.keys() == usual]
            if whole:
                quartiles = (float(q) for q in np.percentile(whole, (50, 25, 75)))
                made.append(Spread(*of, bench, len(whole), *quartiles))
    return made


def pairs(tests: Iterable[JudgedRun]) -> list[Paired]:
    """Return every two benches that tested the same units, by unit type, plan and measure.

    Each unit counts once a bench, by the median of its runs there, and by what was measured at the
    same places of the plan on both.
    """
    found: dict[_Of, dict[str, dict[str, list[_Places]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(list))
    )
    for of, test, places in _compared(tests):
        found[of][test.bench][test.unit].append(places)
    compared: list[tuple[_Of, str, str, list[float]]] = []
    for of, benches in sorted(found.items()):
        for one, other in combinations(sorted(benches), 2):
            differences = list(_differences(benches[one], benches[other]))
            if differences:
                compared.append((of, one, other, differences))
    judged = sum(len(differences) >= LEAST_PAIRS for *_, differences in compared)
    return [
        Paired(*of, one, other, len(differences), *mean_difference(differences, judged))
        for of, one, other, differences in compared
    ]


def _middle(runs: Sequence[_Places]) -> _Places:
    by_place: dict[str, list[float]] = defaultdict(list)
    for run in runs:
        for place, value in run.items():
            by_place[place].append(value)
    return {place: median(some) for place, some in by_place.items()}


def _differences(one: dict[str, list[_Places]], other: dict[str, list[_Places]]) -> Iterator[float]:
    for unit in sorted(one.keys() & other.keys()):
        here, there = _middle(one[unit]), _middle(other[unit])
        common = sorted(here.keys() & there.keys())
        if common:
            yield fmean(there[place] - here[place] for place in common)


def mean_difference(
    differences: Sequence[float], comparisons: int = 1
) -> tuple[float, float | None]:
    """Return the mean of paired differences and the half-width of its interval.

    Student's t with n - 1 degrees of freedom (Student, Biometrika 6, 1908); None for so few pairs
    that it says nothing.  The intervals of so many ``comparisons`` hold all at once with 95 %
    confidence (Bonferroni's inequality: Dunn, J. Am. Stat. Assoc. 56, 1961, 52-64).
    """
    n = len(differences)
    if n < LEAST_PAIRS:
        return fmean(differences), None
    t = float(stdtrit(n - 1, 1.0 - 0.025 / max(comparisons, 1)))
    return fmean(differences), t * stdev(differences) / math.sqrt(n)
