"""/dev/i2c-N at the level of system calls, with an emulated bus behind it.

Blinka and PureIO run unchanged down to their ctypes message structs.  Behaviour as in linux/i2c.h,
linux/i2c-dev.h and drivers/i2c/i2c-dev.c: read and write go to the address set by I2C_SLAVE, a
combined transfer is one I2C_RDWR, and trouble is an errno.
"""

from __future__ import annotations

import builtins
import errno
import fcntl
import os
from typing import Any

import pytest

from drivers import I2CBus

I2C_RETRIES, I2C_TIMEOUT, I2C_SLAVE, I2C_RDWR = 0x0701, 0x0702, 0x0703, 0x0707
_I2C_M_RD = 0x0001
_NO_DATA = 0xFF  # nobody drives the line


class I2CDevice:
    """The device file of bus ``number``; closed as any file.

    ``fails_with``: an errno that every transfer fails with, None as the bus does.
    ``takes_empty_writes`` False: as the controller of a Raspberry Pi 5, which cannot send an
    address alone (I2C_AQ_NO_ZERO_LEN in i2c-designware).
    """

    def __init__(self, bus: I2CBus, number: int = 1, takes_empty_writes: bool = True) -> None:
        self.path = f"/dev/i2c-{number}"
        self.takes_empty_writes = takes_empty_writes
        self.fails_with: int | None = None
        self.settings: list[tuple[int, int]] = []  # adapter settings asked for
        self.transfers: list[int] = []  # how many messages each combined transfer had
        self._bus = bus
        self._address = 0
        self._fd = os.open(os.devnull, os.O_RDWR)

    def fileno(self) -> int:
        """Return a file descriptor of its own; ValueError once closed."""
        if self._fd < 0:
            raise ValueError("I/O operation on closed file")
        return self._fd

    def close(self) -> None:
        """Close the file."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def read(self, count: int) -> bytes | None:
        """Read from the chip at the address set; as of any raw file, None for EAGAIN."""
        if self.fails_with == errno.EAGAIN:
            return None
        self._fail()
        data = bytearray(count)
        self._bus.readfrom_into(self._address, data)
        return bytes(data)

    def write(self, data: Any) -> int | None:
        """Write to the chip at the address set; as of any raw file, None for EAGAIN."""
        if not data and not self.takes_empty_writes:  # refused before it is tried
            raise OSError(errno.EOPNOTSUPP, "Operation not supported")
        if self.fails_with == errno.EAGAIN:
            return None
        self._fail()
        self._bus.writeto(self._address, bytes(data))
        return len(data)

    def ioctl(self, request: int, argument: Any) -> int:
        """Carry out one call."""
        if request == I2C_SLAVE:
            self._address = argument
        elif request == I2C_RDWR:
            self._fail()
            self._transfer([argument.msgs[at] for at in range(argument.nmsgs)])
        elif request in (I2C_RETRIES, I2C_TIMEOUT):
            self.settings.append((request, argument))
        else:
            raise OSError(errno.ENOTTY, f"no such call: 0x{request:04X}")
        return 0

    def _transfer(self, messages: list[Any]) -> None:
        self.transfers.append(len(messages))
        out, into = messages  # the library makes no other
        assert not out.flags
        assert into.flags == _I2C_M_RD
        assert into.addr == out.addr
        data = bytearray([_NO_DATA]) * into.len
        self._bus.writeto_then_readfrom(out.addr, bytes(out.buf[: out.len]), data)
        for at, byte in enumerate(data):
            into.buf[at] = byte

    def _fail(self) -> None:
        if self.fails_with is not None:
            raise OSError(self.fails_with, os.strerror(self.fails_with))


def plug_in(device: I2CDevice, patch: pytest.MonkeyPatch) -> None:
    """Let PureIO find ``device`` under its path, and whoever has its file reach its calls."""
    from Adafruit_PureIO import smbus

    real_ioctl = fcntl.ioctl

    def open_(path: str, mode: str, buffering: int) -> Any:
        assert (mode, buffering) == ("r+b", 0)
        return device if path == device.path else builtins.open(path, mode, buffering)  # noqa: PTH123

    def ioctl(fd: Any, request: int, argument: Any = 0, *more: Any) -> Any:
        if fd == device._fd:
            return device.ioctl(request, argument)
        return real_ioctl(fd, request, argument, *more)

    patch.setattr(smbus, "open", open_, raising=False)
    for module in (smbus, fcntl):
        patch.setattr(module, "ioctl", ioctl)
