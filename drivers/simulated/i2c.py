"""The emulated I2C bus: the interface of CircuitPython's ``busio.I2C``, with its bit times.

Bit times of one transaction: start 1, address 9, each byte 9, stop 1; a repeated start 1.  So a
register read with pointer takes 48, at the retained pointer 29, a 16-bit write 38.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from typing import Any, Protocol, TypeVar

from drivers import BackendError, I2CBus

NO_ACKNOWLEDGE = 121  # EREMOTEIO: what Linux's I2C drivers answer when no chip acknowledges
TIMED_OUT = 110  # ETIMEDOUT: the bus is held
# What a held bus costs before the kernel gives up: the shortest that I2C_TIMEOUT can be set to.
HANG_S = 0.010

Bus = TypeVar("Bus", bound=I2CBus)


class BusChip(Protocol):
    """A chip with 16-bit registers behind a pointer."""

    absent: bool
    hung: bool
    pointer: int

    def read(self, lag_s: float = 0.0) -> int:
        """Return the word at the pointer as it was ``lag_s`` before now."""
        ...

    def write(self, register: int, value: int) -> None:
        """Write a register and leave the pointer there."""
        ...


class LockedBus:
    """The lock of a bus, which the sensor library takes around each transaction."""

    def __init__(self) -> None:
        self._locked = False

    def try_lock(self) -> bool:
        """Take the bus; False if taken."""
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        """Give the bus back."""
        self._locked = False


def wired_bus(buses: Mapping[int, Bus], number: int) -> Bus:
    """Return bus ``number`` of ``buses``; BackendError if no sensor is wired to it."""
    if number not in buses:
        wired = ", ".join(str(each) for each in buses)
        raise BackendError(f"No sensor is wired to I2C bus {number}. Buses with one: {wired}.")
    return buses[number]


class SimulatedBus(LockedBus):
    """A bus with ``chips`` by address.  ``spend`` is told the time (s) that each transaction takes.

    ``hung``: somebody holds the data line, every transaction times out (OSError 110).  An address
    where no chip answers gives OSError 121, and so does any for this ``nack_share`` of the times,
    drawn by ``rng``.  ``failed`` is called after each failure: a chip that is read lets the world
    go on, one that is not does not.
    """

    def __init__(
        self,
        chips: Mapping[int, BusChip],
        spend: Callable[[float], None],
        bus_hz: float = 400_000,
        rng: random.Random | None = None,
        failed: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__()
        self.chips = dict(chips)
        self.hung = False
        self.nack_share = 0.0
        self._rng = rng or random.Random(0)
        self._failed = failed
        self.hang_s = HANG_S
        self._spend = spend
        self._bit_s = 1.0 / bus_hz
        self._word_read_s = 29 * self._bit_s
        # The chip takes its register over before the first data bit; two bytes and the stop follow.
        self._lag_s = 19 * self._bit_s

    def scan(self) -> list[int]:
        """Return the addresses that acknowledge, of 0x08 to 0x77."""
        found = []
        for address in range(0x08, 0x78):
            try:
                self.writeto(address, b"")
            except OSError:
                continue
            found.append(address)
        return found

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """Write: nothing probes, one byte sets the pointer, three bytes write a register."""
        chip = self.chips.get(address)
        if chip is None or chip.absent or chip.hung or self.hung or self._nacks():
            self._fail(address, chip)
        assert chip is not None
        data = bytes(buffer[start : len(buffer) if end is None else end])
        self._spend((11 + 9 * len(data)) * self._bit_s)
        if len(data) >= 3:
            chip.write(data[0], data[1] << 8 | data[2])
        elif data:
            chip.pointer = data[0]

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        """Read at the retained register pointer."""
        chip = self.chips.get(address)
        if chip is None or chip.absent or chip.hung or self.hung or self._nacks():
            self._fail(address, chip)
        assert chip is not None
        if end is None:
            end = len(buffer)
        if end - start == 2:  # the hot path
            self._spend(self._word_read_s)
            word = chip.read(self._lag_s)
            buffer[start] = word >> 8
            buffer[start + 1] = word & 0xFF
            return
        self._spend((11 + 9 * (end - start)) * self._bit_s)
        self._fill(chip, buffer, start, end)

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
        """Set the register pointer and read after a repeated start."""
        chip = self.chips.get(address)
        if chip is None or chip.absent or chip.hung or self.hung or self._nacks():
            self._fail(address, chip)
        assert chip is not None
        if out_end is None:
            out_end = len(buffer_out)
        if in_end is None:
            in_end = len(buffer_in)
        out_bytes = out_end - out_start
        self._spend((21 + 9 * (out_bytes + in_end - in_start)) * self._bit_s)
        if out_bytes == 1:
            chip.pointer = buffer_out[out_start]
        elif out_bytes >= 3:
            chip.write(
                buffer_out[out_start], buffer_out[out_start + 1] << 8 | buffer_out[out_start + 2]
            )
        self._fill(chip, buffer_in, in_start, in_end)

    def _fill(self, chip: BusChip, buffer: Any, start: int, end: int) -> None:
        count = end - start
        if count <= 0:
            return
        word = chip.read((9 * count + 1) * self._bit_s)
        buffer[start] = word >> 8
        if count > 1:
            buffer[start + 1] = word & 0xFF
        for i in range(start + 2, end):
            buffer[i] = 0xFF  # nobody drives the line any more

    def _nacks(self) -> bool:
        return self.nack_share > 0.0 and self._rng.random() < self.nack_share

    def _fail(self, address: int, chip: BusChip | None) -> None:
        if self.hung or (chip is not None and chip.hung and not chip.absent):
            self._spend(self.hang_s)
            self._failed()
            raise OSError(TIMED_OUT, "Connection timed out")
        self._spend(11 * self._bit_s)
        self._failed()
        raise OSError(NO_ACKNOWLEDGE, f"Remote I/O error: no answer at 0x{address:02x}")
