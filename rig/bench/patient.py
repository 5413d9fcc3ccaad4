"""Opening a station whose sensors need not answer.

A driver refuses to be made for a chip that is not there, which is right for a run.  Whoever looks
at a rig wants the rest of it all the same, and wants to see the sensor come back when its plug is
pushed in.  So while a station is opened, a bus stands in for chips that do not answer; afterwards
the driver meets the truth and tells it in its samples' flags.
"""

from __future__ import annotations

from types import TracebackType
from typing import Any

from drivers import Backend, DriverError, I2CBus

_Registers = dict[int, bytes]


class PatientBus:
    """An I2C bus on which, while ``patient``, a chip that does not answer seems to.

    It takes what is written to its registers and gives it back.  ``bus`` None: it could not be
    opened, for the reason in ``why``.
    """

    def __init__(self, bus: I2CBus | None, why: str = "") -> None:
        self.patient = True
        self._bus = bus
        self._why = why
        self._chips: dict[int, _Registers] = {}
        self._pointers: dict[int, int] = {}

    def try_lock(self) -> bool:
        """Take the bus; False if taken."""
        return True if self._bus is None else self._bus.try_lock()

    def unlock(self) -> None:
        """Give the bus back."""
        if self._bus is not None:
            self._bus.unlock()

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """Write bytes to a chip."""
        try:
            self._real().writeto(address, buffer, start=start, end=end)
        except OSError:
            if not self.patient:
                raise
            self._take(address, bytes(buffer)[start:end])

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        """Read bytes from a chip at its register pointer."""
        try:
            self._real().readfrom_into(address, buffer, start=start, end=end)
        except OSError:
            if not self.patient:
                raise
            self._give(address, memoryview(buffer)[start:end])

    def writeto_then_readfrom(
        self,
        address: int,
        buffer_out: Any,
        buffer_in: Any,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        """Set the register pointer and read."""
        try:
            self._real().writeto_then_readfrom(
                address,
                buffer_out,
                buffer_in,
                out_start=out_start,
                out_end=out_end,
                in_start=in_start,
                in_end=in_end,
            )
        except OSError:
            if not self.patient:
                raise
            self._take(address, bytes(buffer_out)[out_start:out_end])
            self._give(address, memoryview(buffer_in)[in_start:in_end])

    def _real(self) -> I2CBus:
        if self._bus is None:
            raise OSError(self._why)
        return self._bus

    def _take(self, address: int, data: bytes) -> None:
        if data:
            self._pointers[address] = data[0]
        if len(data) > 1:
            self._chips.setdefault(address, {})[data[0]] = data[1:]

    def _give(self, address: int, into: memoryview) -> None:
        register = self._pointers.get(address, 0)
        held = self._chips.get(address, {}).get(register, b"")
        into[:] = held[: len(into)].ljust(len(into), b"\0")


class PatientBackend:
    """A backend with patient buses, while it is entered as a context."""

    def __init__(self, backend: Backend) -> None:
        self._backend = backend
        self._buses: dict[int, PatientBus] = {}
        self.name = backend.name
        self.simulated = backend.simulated
        self.clock = backend.clock
        self.pin_factory = backend.pin_factory
        self.hands = backend.hands

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``; one that cannot be opened never answers."""
        if bus not in self._buses:
            try:
                self._buses[bus] = PatientBus(self._backend.i2c(bus))
            except DriverError as error:
                self._buses[bus] = PatientBus(None, str(error))
        return self._buses[bus]

    def serial_port(self, port: str) -> str:
        """Return the path that pyserial opens for ``port``."""
        return self._backend.serial_port(port)

    def facts(self) -> dict[str, str]:
        """Return what is worth recording of the backend."""
        return self._backend.facts()

    def close(self) -> None:
        """Leave the backend to whoever opened it."""

    def __enter__(self) -> PatientBackend:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for bus in self._buses.values():
            bus.patient = False
