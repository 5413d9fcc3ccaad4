"""Simulated units with known causes, and what every guided test shows of them."""

from __future__ import annotations

import multiprocessing
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, pairs
from rig.analysis.faults.features import features_of
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.knowledge import cases
from rig.analysis.faults.model import Observation
from rig.analysis.trace import FloatArray
from rig.isolation.drawn import Case, draw
from rig.isolation.trial import Trial, whole_history

MEASURED = tuple(test.name for test in TESTS.values() if not test.is_look)
# A session mostly begins with these; a state that one test leaves is the next one's begin.
USUALLY_FIRST, USUALLY = ("rest", "turns"), 0.85
# A feature that so few units show is left out.
SEEN_BY = 12
SEED_STEP = 100_000_000


@dataclass(frozen=True)
class Examples:
    """Raw feature values (rows, features; NaN: not seen) and the case of each row."""

    names: tuple[str, ...]
    values: FloatArray
    case: NDArray[np.int64]


def observe(case: Case) -> list[Observation]:
    """Return what every guided test that measures shows of one unit of a case."""
    rng = random.Random(f"order {case.seed}")
    order = list(MEASURED)
    rng.shuffle(order)
    if rng.random() < USUALLY:
        order.sort(key=lambda test: USUALLY_FIRST.index(test) if test in USUALLY_FIRST else 9)
    with whole_history():
        trial = Trial(case)
        return [
            features_of(test, trial.trace(test), trial.unit, trial.limits, trial.accuracy)
            for test in order
        ]


def drawn_cases(particles: int, seed: int) -> list[Case]:
    """Return the cases to learn from: ``particles`` of each cause, more sound, fewer of a pair."""
    begin = seed * SEED_STEP
    wanted: list[tuple[str, ...]] = [()] * (3 * particles)
    wanted += [(name,) for name in CAUSES for _ in range(particles)]
    wanted += [pair for pair in pairs() for _ in range(max(particles // 8, 2))]
    return [draw(causes, begin + k) for k, causes in enumerate(wanted)]


def simulate(
    particles: int, seed: int, jobs: int = 1, told: Callable[[int, int], None] | None = None
) -> Examples:
    """Simulate the cases; ``told`` hears of (done, all).  The same seed gives the same examples."""
    wanted = drawn_cases(particles, seed)
    seen: list[list[Observation]] = []
    for found in _observed(wanted, jobs):
        seen.append(found)
        if told is not None:
            told(len(seen), len(wanted))
    index = {name: k for k, name in enumerate(cases())}
    return table(seen, [index[case.name] for case in wanted])


def joined(parts: Sequence[Examples]) -> Examples:
    """Return the examples of several seeds as one table; what some lack is not seen there."""
    names = tuple(sorted({name for part in parts for name in part.names}))
    at = {name: k for k, name in enumerate(names)}
    whole = []
    for part in parts:
        values = np.full((len(part.values), len(names)), np.nan)
        values[:, [at[name] for name in part.names]] = part.values
        whole.append(values)
    return Examples(names, np.vstack(whole), np.concatenate([part.case for part in parts]))


def _observed(wanted: Sequence[Case], jobs: int) -> Iterator[list[Observation]]:
    if jobs == 1:
        yield from map(observe, wanted)
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap(observe, wanted, chunksize=16)


def table(seen: Sequence[Sequence[Observation]], case: Sequence[int]) -> Examples:
    """Return observations as a table of the features that enough units show."""
    counts: dict[str, int] = {}
    for unit in seen:
        for one in unit:
            for name in one.features:
                key = f"{one.test}.{name}"
                counts[key] = counts.get(key, 0) + 1
    names = tuple(sorted(name for name, count in counts.items() if count >= SEEN_BY))
    at = {name: k for k, name in enumerate(names)}
    values = np.full((len(seen), len(names)), np.nan)
    for row, unit in enumerate(seen):
        for one in unit:
            for name, value in one.features.items():
                k = at.get(f"{one.test}.{name}")
                if k is not None:
                    values[row, k] = value
    return Examples(names, values, np.asarray(case, dtype=np.int64))
