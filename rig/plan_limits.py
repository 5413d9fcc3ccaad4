"""A limit that may depend on the supply voltage, as a plan writes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic_core import PydanticCustomError

from rig.analysis.model import VoltageLimit
from rig.plan_steps import SUPPLY_HIGH_V, SUPPLY_LOW_V
from rig.schema import Number, show
from rig.schema.kinds import Kind, refusal


@dataclass(frozen=True, slots=True)
class VoltageTable(Kind):
    """A number, or a list of ``[volts, number]`` in rising volts; kept as a `VoltageLimit`."""

    low: float
    high: float
    unit: str

    def _allowed(self) -> str:
        one = Number(self.low, self.high, self.unit).allowed
        return f"{one}, or a list of [volts, number] by rising volts, as [[8, 2.0], [12, 1.2]]"

    def _sample(self) -> float:
        return self.high

    def _check(self, value: Any) -> VoltageLimit:
        if isinstance(value, VoltageLimit):
            return value
        number = Number(self.low, self.high, self.unit)
        if not isinstance(value, list | tuple):
            try:
                # Flat at every voltage; the voltage of a single point has no meaning.
                return VoltageLimit(((12.0, number.check(value)),))
            except PydanticCustomError as problem:
                wrong = (problem.context or {})["wrong"]
                raise refusal(wrong, self.allowed) from None
        if not value:
            raise refusal("the list is empty", self.allowed)
        wrongs = list(self._wrong_points(value, number))
        if wrongs:
            raise refusal("; ".join(wrongs), self.allowed)
        return VoltageLimit(tuple((float(volts), float(limit)) for volts, limit in value))

    def _wrong_points(self, points: Any, number: Number) -> list[str]:
        wrongs = []
        last_v: float | None = None
        for count, point in enumerate(points, start=1):
            if not isinstance(point, list | tuple) or len(point) != 2:
                wrongs.append(f"point {count} is {show(point)} and not [volts, number]")
                continue
            volts, limit = point
            if not Number(SUPPLY_LOW_V, SUPPLY_HIGH_V).holds(volts):
                span = f"{SUPPLY_LOW_V:g} to {SUPPLY_HIGH_V:g} V"
                wrongs.append(f"point {count}: {show(volts)} is not a voltage from {span}")
            elif last_v is not None and volts <= last_v:
                wrongs.append(f"point {count}: {show(volts)} V does not come after {last_v:g} V")
            else:
                last_v = float(volts)
            if not number.holds(limit):
                wrongs.append(f"point {count}: {show(limit)} is not {number.allowed}")
        return wrongs
