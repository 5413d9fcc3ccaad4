"""What was learnt of the causes, and the evidence it gives for each case.

A few small networks map what was seen to the log likelihood of every case, up to a constant that
is the same for all, and their mean counts.  Each was trained on simulated units to tell the cases
apart with any part of the tests unseen, under the log score, which is least at the true
probabilities (proper scoring rule, Gneiting and Raftery, JASA 102, 2007).  For a pair the terms of
its two causes add up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, SOUND, pairs
from rig.analysis.faults.model import Observation
from rig.analysis.trace import FloatArray

# Deviations beyond this many asinh units say no more.
MOST = 6.0


def cases() -> tuple[str, ...]:
    """Return the names of all cases: sound, single causes, pairs, none of these."""
    both = tuple(f"{a} + {b}" for a, b in pairs())
    return (SOUND, *CAUSES, *both, NONE_OF_THESE)


def members() -> NDArray[np.float64]:
    """Return which single causes each case is made of (cases x causes, 0 or 1)."""
    index = {name: k for k, name in enumerate(CAUSES)}
    found = np.zeros((len(cases()), len(CAUSES)))
    for row, case in enumerate(cases()):
        for name in case.split(" + "):
            if name in index:
                found[row, index[name]] = 1.0
    return found


@dataclass(frozen=True, slots=True)
class Net:
    """A network of layers with rectified units: ``weights`` and ``biases`` in order."""

    weights: tuple[FloatArray, ...]
    biases: tuple[FloatArray, ...]


@dataclass(frozen=True)
class Knowledge:
    """The features by name (``test.feature``), their scales, the networks, and example units.

    A feature's value counts as asinh((value - ``centre``) / ``scale``): small deviations from a
    sound unit in proportion, large ones by their logarithm.  ``sharpness`` multiplies the evidence
    (1 if the networks were calibrated as they came).  ``examples`` are simulated units' values
    (rows, features; NaN: not seen) of the case ``example_cases``.
    """

    names: tuple[str, ...]
    centre: FloatArray
    scale: FloatArray
    nets: tuple[Net, ...]
    sharpness: float
    examples: FloatArray
    example_cases: NDArray[np.int64]

    @cached_property
    def index(self) -> dict[str, int]:
        """Where each feature is."""
        return {name: k for k, name in enumerate(self.names)}

    @cached_property
    def columns(self) -> dict[str, NDArray[np.int64]]:
        """Which features each test has."""
        found: dict[str, list[int]] = {}
        for k, name in enumerate(self.names):
            found.setdefault(name.partition(".")[0], []).append(k)
        return {test: np.array(columns) for test, columns in found.items()}

    @cached_property
    def cases(self) -> tuple[str, ...]:
        """Every case by name."""
        return cases()

    @cached_property
    def parts(self) -> NDArray[np.float64]:
        """Which single causes each case is made of."""
        return members()

    def row_of(self, seen: Sequence[Observation]) -> FloatArray:
        """Return the scaled values of what was seen, NaN where nothing was."""
        row = np.full(len(self.names), np.nan)
        for observation in seen:
            row[self.columns.get(observation.test, np.empty(0, np.int64))] = np.nan
            values: Mapping[str, float] = observation.features
            for name, value in values.items():
                at = self.index.get(f"{observation.test}.{name}")
                if at is not None:
                    row[at] = value
        return self.scaled(row)

    def scaled(self, rows: FloatArray) -> FloatArray:
        """Return raw feature values on the scale that the network takes."""
        z = np.arcsinh((rows - self.centre) / self.scale)
        found: FloatArray = np.clip(z, -MOST, MOST)
        return found

    def evidence(self, rows: FloatArray) -> FloatArray:
        """Return the log likelihood of every case (rows x cases), 0 for all if nothing was seen."""
        rows = np.vstack([rows, np.full((1, rows.shape[1]), np.nan)])
        x = inputs(rows)
        terms = sum((forward(net, x) for net in self.nets), np.zeros(())) / len(self.nets)
        found = energies(terms, self.parts)
        evidence: FloatArray = self.sharpness * (found[:-1] - found[-1])
        return evidence


def inputs(rows: FloatArray) -> FloatArray:
    """Return values, 0 where unseen, beside a mark for each whether it was seen."""
    seen = np.isfinite(rows)
    return np.concatenate([np.where(seen, rows, 0.0), seen.astype(np.float64)], axis=1)


def forward(net: Net, x: FloatArray) -> FloatArray:
    """Return the last layer's terms."""
    felt = np.flatnonzero(x.any(axis=0))  # most tests are not done yet: their inputs are all 0
    x, first = x[:, felt], net.weights[0][felt]
    for weight, bias in zip((first, *net.weights[1:-1]), net.biases[:-1], strict=True):
        x = np.maximum(_product(x, weight) + bias, 0.0)
    return _product(x, net.weights[-1]) + net.biases[-1]


def _product(x: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the matrix product, on this thread alone.

    A matrix library would wake threads for it, which on a busy machine take far longer to meet
    than such a small product lasts.
    """
    found: FloatArray = np.einsum("ij,jk->ik", x, weight)
    return found


def energies(terms: FloatArray, parts: FloatArray) -> FloatArray:
    """Return the log likelihood of every case up to a constant.

    ``terms``: for each cause how it speaks alone, for each how it speaks in a pair, then one for
    pairs as such and one for none of these; a sound unit's is 0.
    """
    n = parts.shape[1]
    alone, paired = terms[:, :n], terms[:, n : 2 * n]
    count = parts.sum(axis=1)
    single, double = np.flatnonzero(count == 1.0), np.flatnonzero(count == 2.0)
    found = np.zeros((len(terms), len(parts)))
    found[:, single] = alone[:, parts[single].argmax(axis=1)]
    first = parts[double].argmax(axis=1)
    second = n - 1 - parts[double][:, ::-1].argmax(axis=1)
    found[:, double] = paired[:, first] + paired[:, second] + terms[:, 2 * n : 2 * n + 1]
    found[:, -1] = terms[:, 2 * n + 1]
    return found
