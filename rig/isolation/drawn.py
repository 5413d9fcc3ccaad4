"""Cases to learn from and to try: causes of random degree on units as they fall out of production.

Degrees begin where a cause is just felt, so that less of it counts as a sound unit, and end where
more of it changes nothing.  All ranges are those of the simulated LM-12 and guesses.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

Degree = Callable[[random.Random], float]


@dataclass(frozen=True, slots=True)
class Case:
    """What is wrong with a unit on a rig: ``causes`` by name with their degree; none: sound.

    ``seed`` decides the unit's spread and the rig's errors.
    """

    causes: tuple[tuple[str, float], ...]
    seed: int

    @property
    def name(self) -> str:
        """The name of the case as a ranking gives it."""
        return " + ".join(name for name, _ in self.causes) or "sound"


def _log(low: float, high: float) -> Degree:
    return lambda rng: math.exp(rng.uniform(math.log(low), math.log(high)))


def _even(*spans: tuple[float, float]) -> Degree:
    def draw(rng: random.Random) -> float:
        low, high = rng.choices(spans, [b - a for a, b in spans])[0]
        return rng.uniform(low, high)

    return draw


def _there(_: random.Random) -> float:
    return 1.0


DEGREES: dict[str, Degree] = {
    "jammed": _even((5.0, 175.0), (185.0, 355.0)),
    "binding": _log(2.5, 60.0),
    "dry-gear": _log(2.0, 40.0),
    "seized-cable": _even((0.0, 90.0)),
    "dragging-cable": _log(2.0, 60.0),
    "broken-cable": _there,
    "spring-cable": _log(2.0, 60.0),
    "shorted-turns": _even((0.08, 0.8)),
    "worn-brushes": _log(0.15, 50.0),
    "intermittent-brush": _log(1.0, 100.0),
    "open-winding": _there,
    "cam-short": _even((5.0, 172.0), (188.0, 352.0)),
    "cam-dead-spot": _even((0.0, 360.0)),
    "cam-welded": _there,
    "relay-dead": _there,
    "relay-coil-open": _there,
    "relay-welded": _there,
    "relay-high-resistance": _log(0.15, 50.0),
    "relay-weak-pull-in": _even((9.5, 14.5)),  # beyond any supply it counts as dead
    "ignition-open": _there,
    "battery-open": _even((0.0, 1.0)),  # below one half the sensor sees it, above it does not
    "fuse-holder-corroded": _log(0.12, 50.0),
    "poor-earth": _log(0.15, 50.0),
    "leakage": _log(0.06, 5.0),
    "wrong-polarity": _there,
    "weak-supply": _log(0.15, 50.0),
    "over-rated-fuse": _even((15.0, 40.0)),
}


def draw(causes: tuple[str, ...], seed: int) -> Case:
    """Return a case of these causes with degrees drawn from ``seed``."""
    rng = random.Random(f"{' + '.join(causes)} {seed}")
    return Case(tuple((name, DEGREES[name](rng)) for name in causes), seed)
