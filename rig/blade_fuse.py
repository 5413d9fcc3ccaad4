"""How long a blade fuse carries a current above its rating.

Data sheets give gates: at so many times the rating the fuse opens within a span of time.  Between
the gates this module draws straight lines on double-logarithmic paper, as such curves are printed.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FuseCurve:
    """Gates of a fuse series: (multiple of the rating, s), in rising multiples.

    ``earliest_s``: the fuse carries the current at least so long; ``latest_s``: it has opened by
    then at the latest.
    """

    name: str
    earliest_s: tuple[tuple[float, float], ...]
    latest_s: tuple[tuple[float, float], ...]


BLADE_10_A = FuseCurve(
    # Littelfuse 257 series (3 to 40 A, 2010 catalogue): 110 % 100 h, 135 % 0.75-600 s,
    # 200 % 0.15-5 s, 350 % 0.08-0.5 s; the 287 series (10 A) agrees at 200 %.  600 %: sheets of
    # the same style say 0.02 or 0.03 s at least and 0.1 or 0.15 s at most; the wider span is taken.
    "blade fuse",
    earliest_s=((1.10, 360_000.0), (1.35, 0.75), (2.0, 0.15), (3.5, 0.08), (6.0, 0.02)),
    latest_s=((1.35, 600.0), (2.0, 5.0), (3.5, 0.5), (6.0, 0.15)),
)


def earliest_s(current_a: float, rating_a: float, curve: FuseCurve = BLADE_10_A) -> float:
    """Return how long (s) every sound fuse carries ``current_a``; infinite below the first gate."""
    return _at(curve.earliest_s, current_a / rating_a)


def latest_s(current_a: float, rating_a: float, curve: FuseCurve = BLADE_10_A) -> float:
    """Return by when (s) a sound fuse has opened at ``current_a``; infinite if it need not."""
    return _at(curve.latest_s, current_a / rating_a)


def _at(gates: tuple[tuple[float, float], ...], multiple: float) -> float:
    # A hair of slack: 135 % of 3 A is 134.99...% in floating point.
    if multiple < gates[0][0] * (1 - 1e-9):
        return math.inf
    for (m0, s0), (m1, s1) in itertools.pairwise(gates):
        if multiple <= m1:
            part = math.log(multiple / m0) / math.log(m1 / m0)
            return float(s0 * (s1 / s0) ** part)
    return gates[-1][1]
