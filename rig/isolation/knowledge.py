"""The learnt knowledge that ships with the program: its file, read once on first use."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.knowledge import Knowledge, Net, cases
from rig.analysis.trace import FloatArray

SHIPPED = Path(__file__).with_name("knowledge.npz")


class KnowledgeError(RuntimeError):
    """The knowledge file is missing or of another version of the program."""


@lru_cache(maxsize=1)
def load() -> Knowledge:
    """Return the shipped knowledge; KnowledgeError if its file cannot be used."""
    return read(SHIPPED)


def read(path: Path) -> Knowledge:
    """Return the knowledge in a file; KnowledgeError if it cannot be used."""
    try:
        with np.load(path) as held:
            nets, layers = (int(n) for n in held["nets"])
            if tuple(held["cases"].tolist()) != cases():
                raise KnowledgeError(
                    f"{path} was learnt for other causes than this program knows. Install the "
                    "program anew, or learn it again: python -m rig.isolation.learn."
                )
            return Knowledge(
                tuple(held["names"].tolist()),
                held["centre"].astype(np.float64),
                held["scale"].astype(np.float64),
                tuple(_net(held, which, layers) for which in range(nets)),
                float(held["sharpness"]),
                held["examples"].astype(np.float64),
                held["example_cases"].astype(np.int64),
            )
    except (OSError, KeyError, ValueError) as error:
        raise KnowledgeError(
            f"The isolation's knowledge cannot be read from {path}: {error}. Install the program "
            "anew, or learn it again: python -m rig.isolation.learn."
        ) from error


def _net(held: Mapping[str, Any], which: int, layers: int) -> Net:
    return Net(
        tuple(held[f"weight{which}_{k}"].astype(np.float64) for k in range(layers)),
        tuple(held[f"bias{which}_{k}"].astype(np.float64) for k in range(layers)),
    )


def save(knowledge: Knowledge, path: Path) -> None:
    """Write knowledge to a file, in numbers no finer than they need to be."""
    arrays: dict[str, Any] = {}
    for which, net in enumerate(knowledge.nets):
        for k, (weight, bias) in enumerate(zip(net.weights, net.biases, strict=True)):
            arrays[f"weight{which}_{k}"] = weight.astype(np.float16)
            arrays[f"bias{which}_{k}"] = bias.astype(np.float16)
    np.savez_compressed(
        path,
        nets=np.array([len(knowledge.nets), len(knowledge.nets[0].weights)]),
        cases=np.array(cases()),
        names=np.array(knowledge.names),
        centre=knowledge.centre.astype(np.float32),
        scale=knowledge.scale.astype(np.float32),
        sharpness=np.array(knowledge.sharpness),
        examples=_coarse(knowledge.examples),
        example_cases=knowledge.example_cases.astype(np.int16),
        **arrays,
    )


def _coarse(values: FloatArray) -> NDArray[np.float16]:
    """Return values on a grid of 1/64, which packs well."""
    return (np.round(values * 64.0) / 64.0).astype(np.float16)
