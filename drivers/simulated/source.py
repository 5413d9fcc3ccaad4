"""What feeds the rig: a battery, or a programmable supply with its current limit."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import NamedTuple


class Rail(NamedTuple):
    """What lies behind the master relay: ``volts`` behind ``ohms`` up to ``limit_a``, if ``on``."""

    volts: float
    ohms: float
    limit_a: float = inf
    on: bool = True


class SimulatedSupply:
    """A bench supply in constant voltage or constant current; off and at 0 V when switched on.

    ``set_v`` (V), ``limit_a`` (A) and ``output_on`` are set from the port; ``change`` is called
    with whatever alters the circuit, so that it happens at its instant of world time.
    """

    def __init__(
        self,
        change: Callable[[Callable[[float], None]], None],
        reading: Callable[[], tuple[float, float]],
    ) -> None:
        self._set_v = 0.0
        self._limit_a = 1.0
        self._on = False
        self._change = change
        self._reading = reading

    @property
    def set_v(self) -> float:
        """Voltage set (V)."""
        return self._set_v

    @set_v.setter
    def set_v(self, value: float) -> None:
        self._change(lambda _: setattr(self, "_set_v", float(value)))

    @property
    def limit_a(self) -> float:
        """Current limit (A)."""
        return self._limit_a

    @limit_a.setter
    def limit_a(self, value: float) -> None:
        self._change(lambda _: setattr(self, "_limit_a", float(value)))

    @property
    def output_on(self) -> bool:
        """Whether the output is on."""
        return self._on

    @output_on.setter
    def output_on(self, value: bool) -> None:
        self._change(lambda _: setattr(self, "_on", bool(value)))

    def measured_v(self) -> float:
        """Return the voltage (V) at the output now."""
        return self._reading()[0]

    def measured_a(self) -> float:
        """Return the current (A) out of the output now."""
        return self._reading()[1]
