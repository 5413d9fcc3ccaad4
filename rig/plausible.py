"""Numbers of a trace that no bench measures: a wrong unit or a damaged file, not to be judged."""

from __future__ import annotations

import numpy as np

from rig.analysis.trace import BoolArray, Trace
from rig.tracecells import TraceFileError

# Far beyond any bench, and far within what can be squared and summed (guess).
MOST_A = 1e6
MOST_V = 1e6
MOST_S = 1e11
"""Seconds from any origin: a clock that counts from 1970 is at 2e9."""
LEAST_STEP_S = 1e-9


def refuse_implausible(trace: Trace, name: str) -> None:
    """Raise TraceFileError, naming ``name``, sample and column, if ``trace`` cannot be one."""
    for column, values, most, unit in (
        ("time_s", trace.time_s, MOST_S, "s"),
        ("current_a", trace.current_a, MOST_A, "A"),
        ("voltage_v", trace.voltage_v, MOST_V, "V"),
    ):
        at = _first(np.abs(values) > most)
        if at is not None:
            raise TraceFileError(
                f"{name}, sample {at + 1}, column {column}: {values[at]:g} {unit} is more than any "
                f"bench measures; allowed are -{most:g} to {most:g} {unit}. See that the column is "
                f"in {unit}."
            )
    at = _first(np.diff(trace.time_s) < LEAST_STEP_S)
    if at is not None:
        raise TraceFileError(
            f"{name}, sample {at + 2}, column time_s: it comes less than {LEAST_STEP_S:g} s after "
            "the one before. See that the column is in s."
        )


def _first(wrong: BoolArray) -> int | None:
    return int(np.argmax(wrong)) if wrong.any() else None
