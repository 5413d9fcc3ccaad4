"""What was seen and what it speaks for, in plain words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.analysis.faults.causes import CAUSES, SOUND
from rig.analysis.faults.knowledge import Knowledge
from rig.analysis.trace import FloatArray

# Evidence of less than this (natural logarithm of a ratio) is not worth a line: a factor of 1.35.
LEAST = 0.3
LINES = 4


def says_of(case: str) -> str:
    """Return a case in plain words."""
    if case == SOUND:
        return "the unit is sound: look at what it works in"
    parts = [CAUSES[name].says for name in case.split(" + ") if name in CAUSES]
    return ", and ".join(parts) or "none of the causes that are known here"


def speaks(
    knowledge: Knowledge, row: FloatArray, log_prior: FloatArray, order: NDArray[np.int64]
) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    return [((), ()) for _ in order]
