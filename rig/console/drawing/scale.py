"""From values to dots: scales, ticks, and a range that does not jitter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.console.drawing.raster import Floats

# A million windows away is as good as any distance, and stays finite.
_FAR = 1e6


@dataclass(frozen=True)
class Scale:
    """Values from ``low`` to ``high`` over ``dots`` dots; the first dot is ``low``'s.

    ``upwards``: for y, whose dots count downwards, so that ``high`` has the first dot.
    Raises ValueError unless low < high.
    """

    low: float
    high: float
    dots: int
    upwards: bool = False

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"a scale needs low < high, not {self.low} and {self.high}")

    def dot(self, values: ArrayLike) -> Floats:
        """Return where values lie, in dots; what is not finite becomes NaN."""
        values = np.asarray(values, dtype=np.float64)
        span, last = self.high - self.low, max(self.dots - 1, 0)
        near = np.clip(values, self.low - _FAR * span, self.high + _FAR * span)
        part = (near - self.low) / span
        dots = (1.0 - part if self.upwards else part) * last
        return np.where(np.isfinite(values), dots, np.nan)

    def at(self, value: float) -> float:
        """Return where one value lies, in dots."""
        if not math.isfinite(value):
            return math.nan
        part = (value - self.low) / (self.high - self.low)
        part = max(-_FAR, min(part, _FAR))
        return (1.0 - part if self.upwards else part) * max(self.dots - 1, 0)


def step_for(span: float, most: int) -> float:
    """Return the least of 1, 2, 5, 10, 20 ... (any decade) that divides ``span`` at most so."""
    raw = span / max(most, 1)
    decade = 10.0 ** math.floor(math.log10(raw))
    # The last factor always fits; a hair of slack keeps 0.3 / 3 at 0.1.
    return next(m * decade for m in (1.0, 2.0, 5.0, 10.0, 20.0) if m * decade >= raw * (1 - 1e-9))


def ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return at most ``most`` + 1 round values from low to high, each with its text."""
    step = step_for(high - low, most)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(k * step, f"{k * step:.{decimals}f}") for k in range(first, last + 1)]


class StableRange:
    """A range of values for an axis that grows at once and shrinks late.

    ``patience``: how many times in a row less must have been enough before it shrinks (default:
    five seconds at 20 frames a second; a guess).  ``from_zero``: reaches down to 0 at least.
    ``least``: the smallest height of the range, in the values' unit.
    """

    def __init__(self, *, least: float, patience: int = 100, from_zero: bool = True) -> None:
        self._least, self._patience, self._from_zero = least, patience, from_zero
        self.reset()

    def reset(self) -> None:
        """Forget what was seen: the next range fits its values."""
        self._range: tuple[float, float] | None = None
        self._spare: tuple[float, float] | None = None
        self._waited = 0

    def follow(self, low: float, high: float) -> tuple[float, float]:
        """Return the range to draw values from ``low`` to ``high`` in; both must be finite."""
        needed = self._round(low, high)
        if self._range is None:
            self._range = needed
        wide = _hull(self._range, needed)
        if wide != self._range or 0.7 * _height(wide) < _height(needed):
            self._range, self._spare, self._waited = wide, None, 0
            return wide
        self._spare = needed if self._spare is None else _hull(self._spare, needed)
        self._waited += 1
        if self._waited >= self._patience:
            self._range, self._spare, self._waited = self._spare, None, 0
        return self._range

    def _round(self, low: float, high: float) -> tuple[float, float]:
        if self._from_zero:
            low, high = min(low, 0.0), max(high, 0.0)
        missing = self._least - (high - low)
        if missing > 0:
            low, high = (
                (low, high + missing)
                if self._from_zero
                else (low - missing / 2, high + missing / 2)
            )
        step = step_for(high - low, 5)
        return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def _hull(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    return min(one[0], other[0]), max(one[1], other[1])


def _height(of: tuple[float, float]) -> float:
    return of[1] - of[0]
