"""Training of the network that weighs the cases: plain stochastic gradient descent (Adam).

Kingma and Ba, "Adam: a method for stochastic optimization", 2015; the loss is the log score.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES
from rig.analysis.faults.knowledge import MOST, Knowledge, Net, energies, inputs, members
from rig.analysis.trace import FloatArray
from rig.isolation.examples import Examples
from rig.isolation.sampling import Sampler

HIDDEN = (96, 64)
BATCH, RATE, DECAY = 256, 2e-3, 3e-5
NETS = 3  # that learn by themselves, each from a seed of its own
TRIES = 24  # batches of them
HELD_OUT = 10  # one in so many examples is kept to try the calibration on
KEEP_SINGLE, KEEP_PAIR = 24, 2


def scales(examples: Examples) -> tuple[FloatArray, FloatArray]:
    """Return centre and scale of each feature: those of sound units, not too narrow."""
    sound = examples.values[examples.case == 0]
    seen = np.isfinite(sound).sum(axis=0) >= 5
    middle = np.nanmedian(examples.values, axis=0)
    with np.errstate(all="ignore"):
        centre = np.where(seen, np.nanmedian(np.where(seen, sound, 0.0), axis=0), middle)
        spread = np.nanstd(np.where(seen, sound, 0.0), axis=0)
        wide = np.nanstd(examples.values, axis=0)
    # A twentieth of all that is met, but no less than a hundredth: what a rig can tell.
    least = np.maximum(0.05 * wide, 0.01)
    return centre, np.where(seen, np.maximum(spread, least), np.maximum(wide, 0.01))


def train(
    examples: Examples,
    steps: int,
    seed: int,
    told: Callable[[int, float], None] | None = None,
    batch: int = BATCH,
) -> Knowledge:
    """Return the knowledge learnt from examples in so many steps."""
    centre, scale = scales(examples)
    z = np.clip(np.arcsinh((examples.values - centre) / scale), -MOST, MOST)
    held = np.arange(len(z)) % HELD_OUT == 0
    sampler = Sampler(examples.names, z[~held], examples.case[~held])
    nets = []
    for which in range(NETS):
        rng = np.random.default_rng([seed, which])
        nets.append(_fit(sampler, rng, steps, told, batch))
    keep = _kept(examples.case)
    found = Knowledge(
        examples.names,
        centre,
        scale,
        tuple(nets),
        1.0,
        z[keep],
        examples.case[keep],
    )
    tried = Sampler(examples.names, z[held], examples.case[held])
    sharpness = _sharpness(found, tried, np.random.default_rng(seed), TRIES * batch)
    return replace(found, sharpness=sharpness)


def _kept(case: NDArray[np.int64]) -> NDArray[np.int64]:
    count = members().sum(axis=1)
    found: list[int] = []
    for k in np.unique(case):
        most = KEEP_PAIR if count[k] == 2.0 else KEEP_SINGLE
        found.extend(np.flatnonzero(case == k)[:most])
    return np.array(found)


def _fit(
    sampler: Sampler,
    rng: np.random.Generator,
    steps: int,
    told: Callable[[int, float], None] | None,
    batch: int,
) -> Net:
    sizes = (2 * sampler.z.shape[1], *HIDDEN, 2 * len(CAUSES) + 2)
    values = [
        rng.normal(0.0, np.sqrt((2.0 if k < len(HIDDEN) else 0.1) / a), (a, b))
        for k, (a, b) in enumerate(pairwise(sizes))
    ]
    values += [np.zeros(b) for b in sizes[1:]]
    layers = len(sizes) - 1
    first, second = [np.zeros_like(v) for v in values], [np.zeros_like(v) for v in values]
    parts = members()
    loss = 0.0
    for step in range(1, steps + 1):
        rows, case = sampler.draw(rng, batch)
        value, slopes = _slopes(values[:layers], values[layers:], rows, case, sampler, parts)
        loss = value if step == 1 else 0.99 * loss + 0.01 * value
        rate = RATE * 0.5 * (1.0 + np.cos(np.pi * step / steps))
        for k, slope in enumerate(slopes):
            first[k] += 0.1 * (slope - first[k])
            second[k] += 0.001 * (slope * slope - second[k])
            size = np.sqrt(second[k] / (1.0 - 0.999**step)) + 1e-8
            values[k] -= rate * (first[k] / (1.0 - 0.9**step) / size + DECAY * values[k])
        if told is not None and step % 100 == 0:
            told(step, loss)
    return Net(tuple(values[:layers]), tuple(values[layers:]))


def _slopes(
    weights: list[FloatArray],
    biases: list[FloatArray],
    rows: FloatArray,
    case: NDArray[np.int64],
    sampler: Sampler,
    parts: FloatArray,
) -> tuple[float, list[FloatArray]]:
    """Return the mean loss of a batch and its slope by every weight and bias."""
    n = len(rows)
    x = inputs(np.vstack([rows, np.full((1, rows.shape[1]), np.nan)]))
    layers = [x]
    for weight, bias in zip(weights[:-1], biases[:-1], strict=True):
        layers.append(np.maximum(layers[-1] @ weight + bias, 0.0))
    found = energies(layers[-1] @ weights[-1] + biases[-1], parts)
    logit = found[:-1] - found[-1] + sampler.log_part
    logit -= logit.max(axis=1, keepdims=True)
    chance = np.exp(logit)
    chance /= chance.sum(axis=1, keepdims=True)
    loss = float(-np.log(np.maximum(chance[np.arange(n), case], 1e-12)).mean())
    chance[np.arange(n), case] -= 1.0
    chance /= n
    back = _to_terms(np.vstack([chance, -chance.sum(axis=0, keepdims=True)]), parts)
    by_weight: list[FloatArray] = []
    by_bias: list[FloatArray] = []
    for k in range(len(weights) - 1, -1, -1):
        by_weight.insert(0, layers[k].T @ back)
        by_bias.insert(0, back.sum(axis=0))
        if k:
            back = (back @ weights[k].T) * (layers[k] > 0.0)
    return loss, by_weight + by_bias


def _to_terms(by_case: FloatArray, parts: FloatArray) -> FloatArray:
    """Return slopes by the network's terms from those by the cases (`energies`, transposed)."""
    count = parts.sum(axis=1)
    single, double = parts * (count == 1.0)[:, None], parts * (count == 2.0)[:, None]
    return np.concatenate(
        [by_case @ single, by_case @ double, by_case @ (count == 2.0)[:, None], by_case[:, -1:]],
        axis=1,
    )


def _sharpness(knowledge: Knowledge, tried: Sampler, rng: np.random.Generator, size: int) -> float:
    """Return the multiple of the evidence with the least log score on examples not trained on."""
    rows, case = tried.draw(rng, size)
    evidence = knowledge.evidence(rows)
    options = np.linspace(0.4, 1.3, 46)
    scores = []
    for sharpness in options:
        logit = sharpness * evidence + tried.log_part
        logit -= logit.max(axis=1, keepdims=True)
        total = np.log(np.exp(logit).sum(axis=1))
        scores.append(float((total - logit[np.arange(len(case)), case]).mean()))
    return float(options[int(np.argmin(scores))])
