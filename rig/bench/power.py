"""What feeds the station: a programmable supply, or a battery that is simply there."""

from __future__ import annotations

from threading import Lock
from types import TracebackType

from drivers import Backend, DriverError, SupplyWiring
from drivers.supply import BenchSupply

STOP_WAIT_S = 5.0
"""So long what is still being said to the supply is waited for at the end (guess)."""


class Power:
    """The supply of a run; every method does nothing where there is a battery.

    Output on only by `start`, off again on leaving the context, whatever happened.
    """

    def __init__(self, supply: BenchSupply | None, wiring: SupplyWiring | None) -> None:
        self._supply = supply
        self._wiring = wiring
        self._identity = ""
        self._one_at_a_time = Lock()  # a voltage may be on its way to the supply beside the loop

    @classmethod
    def open(cls, backend: Backend, wiring: SupplyWiring | None) -> Power:
        """Open the supply of ``wiring`` and take its output off.  Raises SupplyError."""
        if wiring is None:
            return cls(None, None)
        power = cls(BenchSupply(wiring, backend.serial_port(wiring.port)), wiring)
        try:
            assert power._supply is not None
            power._identity = power._supply.identify()
            power._supply.output(False)
        except BaseException:
            power.__exit__(None, None, None)
            raise
        return power

    @property
    def programmable(self) -> bool:
        """Tell whether the voltage can be set."""
        return self._supply is not None

    @property
    def limit_a(self) -> float | None:
        """The current limit (A) a run starts with."""
        return None if self._wiring is None else self._wiring.max_a

    def describe(self) -> str:
        """Return the supply's identity and what it measures at its output."""
        if self._supply is None:
            return "battery"
        return f"{self._identity}: {self._supply.measure_v():.2f} V at its output"

    def start(self, voltage_v: float | None) -> None:
        """Set ``voltage_v`` (V) and the full current limit, and switch the output on."""
        if self._supply is not None and voltage_v is not None and self._wiring is not None:
            self._supply.set_current_limit(self._wiring.max_a)
            self._supply.set_voltage(voltage_v)
            self._supply.output(True)

    def set(self, voltage_v: float | None, limit_a: float | None) -> None:
        """Change voltage (V) and limit (A); None leaves one as it is.  Raises SupplyError."""
        if self._supply is None:
            return
        with self._one_at_a_time:
            if limit_a is not None:
                self._supply.set_current_limit(limit_a)
            if voltage_v is not None:
                self._supply.set_voltage(voltage_v)

    def stop(self) -> bool:
        """Take the output off; False if the supply does not confirm it (the feeds are off then)."""
        if self._supply is not None:
            if not self._one_at_a_time.acquire(timeout=STOP_WAIT_S):
                return False
            try:
                self._supply.output(False)
            except DriverError:
                return False
            finally:
                self._one_at_a_time.release()
        return True

    def __enter__(self) -> Power:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        if self._supply is not None:
            free = self._one_at_a_time.acquire(timeout=STOP_WAIT_S)
            try:
                self._supply.close()
            finally:
                if free:
                    self._one_at_a_time.release()
