"""What the lever's estimator makes of columns of samples before it follows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis.trace import BoolArray, FloatArray

End = Literal["stop", "run"]
"""Where a unit parks."""


@dataclass(slots=True)
class Drive:
    """Motor current since it began to flow.

    ``way_deg`` to the park position ``target``; ``from_park``: that is a whole half-turn.  ``vs``
    the back-EMF integral (V s); ``flowed_s``, ``idle_s`` and ``still_s`` for how long (s) current
    flowed, has not flowed lately, flows without turning.  ``coasting``: the feed is gone.
    """

    target: End
    way_deg: float
    from_park: bool
    vs: float = 0.0
    flowed_s: float = 0.0
    idle_s: float = 0.0
    still_s: float = 0.0
    coasting: bool = False


@dataclass(slots=True)
class Rest:
    """What the sensor showed since nothing flows: samples, s, A, A squared."""

    count: int = 0
    lasted_s: float = 0.0
    sum_a: float = 0.0
    squares_a2: float = 0.0


# A switch in a state's two bits: open, made, not wired.
_SWITCH = (False, True, None, None)


def states_of(
    battery_feed: ArrayLike,
    ignition_feed: ArrayLike,
    at_run: FloatArray | None,
    at_stop: FloatArray | None,
) -> FloatArray:
    """Return one number a sample for its feeds and switches; `read_state` reads it."""
    feeds = (np.asarray(battery_feed) > 0.5) + 2.0 * (np.asarray(ignition_feed) > 0.5)
    states: FloatArray = feeds + 4.0 * _made(at_run) + 16.0 * _made(at_stop)
    return states


def read_state(state: float) -> tuple[tuple[bool, bool], bool | None, bool | None]:
    """Return (battery feed, ignition feed), at run, at stop; a switch not wired is None."""
    bits = int(state)
    return (bool(bits & 1), bool(bits & 2)), _SWITCH[bits >> 2 & 3], _SWITCH[bits >> 4 & 3]


def _made(switch: FloatArray | None) -> FloatArray | float:
    return 2.0 if switch is None else np.where(np.isnan(switch), 2.0, switch)


def runs(values: FloatArray | BoolArray) -> list[tuple[int, int]]:
    """Return where stretches of equal values begin and end; ``values`` is not empty."""
    changes = (np.flatnonzero(values[1:] != values[:-1]) + 1).tolist()
    return list(zip([0, *changes], [*changes, len(values)], strict=True))


def filled(values: FloatArray, before: float) -> FloatArray:
    """Return ``values`` with what was not read as it was last, at first as it was ``before``."""
    there = np.isfinite(values)
    if there.all():
        return values
    index = np.maximum.accumulate(np.where(there, np.arange(len(values)), -1))
    return np.where(index >= 0, values[index], before)
