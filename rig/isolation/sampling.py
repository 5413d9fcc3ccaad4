"""Batches of units to train on, as sessions show them: with most of their tests not done."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.knowledge import members
from rig.analysis.trace import FloatArray
from rig.isolation.examples import MEASURED

# How the batches are made up; whoever asks puts priors of his own in the place of these.
SOUND_PART, SINGLE_PART, PAIR_PART = 0.10, 0.50, 0.33
# Values scatter by this much more than the simulated ones (asinh units), as real units are like
# no simulated one.
JITTER = 0.05
# How often the first two tests are done in any case, a rig has no sensor in its ignition feed,
# and a value is lost (guesses, wide of what sessions are like).
FIRST_DONE, NO_COIL_SENSOR, VALUE_LOST = 0.9, 0.4, 0.03


class Sampler:
    """Draws batches of units with parts of their tests unseen."""

    def __init__(self, names: tuple[str, ...], z: FloatArray, case: NDArray[np.int64]) -> None:
        self.z, self.case = z, case
        count = members().sum(axis=1)
        # Rows sorted by case, with where each case begins and how many rows it has.
        self._rows = np.argsort(case, kind="stable")
        self._count = np.bincount(case, minlength=len(count))
        self._begin = np.concatenate([[0], np.cumsum(self._count)[:-1]])
        there = self._count > 0
        last = len(count) - 1
        self._sound = np.array([0])
        self._single = np.flatnonzero(there & (count == 1.0))
        self._pair = np.flatnonzero(there & (count == 2.0))
        test = np.array([name.partition(".")[0] for name in names])
        self._tests = [np.flatnonzero(test == name) for name in MEASURED]
        group = [name.partition(".")[2].partition("_")[0] for name in names]
        self._groups = [
            np.array([k for k in columns if group[k] == each])
            for columns in self._tests
            for each in sorted({group[k] for k in columns})
        ]
        self._coil = np.flatnonzero([".coil" in name for name in names])
        self._none = last
        self.log_part = self._log_part(count)

    def _log_part(self, count: FloatArray) -> FloatArray:
        part = np.where(count == 2.0, PAIR_PART / max(len(self._pair), 1), 0.0)
        part = np.where(count == 1.0, SINGLE_PART / max(len(self._single), 1), part)
        part[self._sound] = SOUND_PART
        part[self._none] = 1.0 - SOUND_PART - SINGLE_PART - PAIR_PART
        found: FloatArray = np.log(part)
        return found

    def draw(self, rng: np.random.Generator, size: int) -> tuple[FloatArray, NDArray[np.int64]]:
        """Return scaled values (NaN: unseen) and the case of each of ``size`` units."""
        kind = rng.random(size)
        bounds = np.cumsum([SOUND_PART, SINGLE_PART, PAIR_PART])
        case = np.full(size, self._none)
        for which, (low, high) in zip(
            (self._sound, self._single, self._pair),
            pairwise([0.0, *bounds]),
            strict=True,
        ):
            chosen = (kind >= low) & (kind < high)
            case[chosen] = which[rng.integers(len(which), size=int(chosen.sum()))]
        known = case != self._none
        rows = self._scrambled(rng, size)
        place = (rng.random(size) * self._count[case]).astype(np.int64)
        rows[known] = self.z[self._rows[(self._begin[case] + place)[known]]]
        rows += rng.normal(0.0, JITTER, rows.shape)
        return self.masked(rng, rows), case

    def _scrambled(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Return values that no one unit shows: each group of features from another unit."""
        rows = np.empty((size, self.z.shape[1]))
        whole = rng.random(size) < 0.5
        for columns_of, chosen in ((self._tests, whole), (self._groups, ~whole)):
            at = np.flatnonzero(chosen)
            for columns in columns_of:
                other = rng.integers(len(self.z), size=len(at))
                rows[np.ix_(at, columns)] = self.z[np.ix_(other, columns)]
        return rows

    def masked(self, rng: np.random.Generator, rows: FloatArray) -> FloatArray:
        """Return the rows with tests left out as sessions leave them out, now and then a value."""
        size = len(rows)
        share = rng.random((size, 1))
        done = rng.random((size, len(self._tests))) < share
        first = rng.random((size, 2)) < FIRST_DONE
        done[:, :2] |= first
        rows = rows.copy()
        for k, columns in enumerate(self._tests):
            rows[np.ix_(~done[:, k], columns)] = np.nan
        rows[np.ix_(rng.random(size) < NO_COIL_SENSOR, self._coil)] = np.nan
        rows[rng.random(rows.shape) < VALUE_LOST] = np.nan
        return rows
