"""An I2C bus in user space: /dev/i2c-N by CUSE, answered by an emulated bus.

The wire format is that of linux/fuse.h (version 7.36, Linux 6.1) and the calls those of
linux/i2c-dev.h: I2C_SLAVE with read and write, I2C_RDWR, and the adapter's settings.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
from typing import Any, NamedTuple

_INIT, _OPEN, _READ, _WRITE, _RELEASE, _INTERRUPT, _IOCTL = 4096, 14, 15, 16, 18, 36, 39
_UNRESTRICTED_IOCTL = 1  # of cuse_init_out: pointers in arguments may be followed
_RETRY = 1 << 2  # of fuse_ioctl_out: copy these pieces of the caller's memory and ask again

_IN = struct.Struct("<IIQQIIII")  # fuse_in_header
_OUT = struct.Struct("<IiQ")
_INIT_OUT = struct.Struct("<IIIIIIII40x")
_READ_IN = struct.Struct("<QQIIQII")
_WRITE_IN = _READ_IN
_IOCTL_IN = struct.Struct("<QIIQII")
_IOCTL_OUT = struct.Struct("<iIII")
_PIECE = struct.Struct("<QQ")  # fuse_ioctl_iovec
_LONGEST = 65536

_I2C_RETRIES, _I2C_TIMEOUT, _I2C_SLAVE, _I2C_FUNCS, _I2C_RDWR = 0x701, 0x702, 0x703, 0x705, 0x707
_I2C_M_RD = 1
_RDWR_DATA = struct.Struct("<QI4x")  # i2c_rdwr_ioctl_data
_MESSAGE = struct.Struct("<HHHxxQ")  # i2c_msg
_MOST_MESSAGES = 42  # I2C_RDWR_IOCTL_MAX_MSGS


class _Message(NamedTuple):
    address: int
    flags: int
    length: int
    buffer: int

    @property
    def reads(self) -> bool:
        return bool(self.flags & _I2C_M_RD)


class CuseBus:
    """/dev/i2c-``number``, for as long as this object is served.  ``bus`` is what answers."""

    def __init__(self, number: int) -> None:
        self._name = f"DEVNAME=i2c-{number}\0".encode()
        self.bus: Any = None
        self._addresses: dict[int, int] = {}  # by open file
        self._opened = 0
        self._fd = os.open("/dev/cuse", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)

    def fileno(self) -> int:
        """Return the file to wait for."""
        return self._fd

    def serve(self) -> bool:
        """Answer one request; False if there is none."""
        try:
            request = os.read(self._fd, _LONGEST + 4096)
        except BlockingIOError:
            return False
        _, operation, unique, *_ = _IN.unpack_from(request)
        body = request[_IN.size :]
        if operation == _INTERRUPT:
            return True
        try:
            answer = self._answer(operation, body)
        except OSError as error:
            self._reply(unique, -(error.errno or errno.EIO), b"")
        else:
            self._reply(unique, 0, answer)
        return True

    def _reply(self, unique: int, error: int, body: bytes) -> None:
        with contextlib.suppress(FileNotFoundError):  # whoever asked has been killed meanwhile
            os.write(self._fd, _OUT.pack(_OUT.size + len(body), error, unique) + body)

    def _answer(self, operation: int, body: bytes) -> bytes:
        if operation == _INIT:
            major, minor = struct.unpack_from("<II", body)
            limits = (_LONGEST, _LONGEST, 0, 0)
            return _INIT_OUT.pack(major, minor, 0, _UNRESTRICTED_IOCTL, *limits) + self._name
        if operation == _OPEN:
            self._opened += 1
            self._addresses[self._opened] = 0
            return struct.pack("<QII", self._opened, 0, 0)
        if operation == _RELEASE:
            (handle,) = struct.unpack_from("<Q", body)
            self._addresses.pop(handle, None)
            return b""
        if operation == _READ:
            handle, _, size, *_ = _READ_IN.unpack_from(body)
            data = bytearray(size)
            self.bus.readfrom_into(self._addresses[handle], data)
            return bytes(data)
        if operation == _WRITE:
            handle, _, size, *_ = _WRITE_IN.unpack_from(body)
            self.bus.writeto(self._addresses[handle], body[_WRITE_IN.size :][:size])
            return struct.pack("<II", size, 0)
        if operation == _IOCTL:
            return self._ioctl(body)
        raise OSError(errno.ENOSYS, "not needed")

    # --- ioctl ----------------------------------------------------------------------------

    def _ioctl(self, body: bytes) -> bytes:
        handle, _, command, argument, in_size, out_size = _IOCTL_IN.unpack_from(body)
        data = body[_IOCTL_IN.size :][:in_size]
        if command == _I2C_SLAVE:
            self._addresses[handle] = argument
        elif command == _I2C_RDWR:
            return self._transfer(argument, data, out_size)
        elif command not in (_I2C_RETRIES, _I2C_TIMEOUT):
            raise OSError(errno.ENOTTY, "no such call")
        return _IOCTL_OUT.pack(0, 0, 0, 0)

    def _transfer(self, argument: int, data: bytes, out_size: int) -> bytes:
        """Ask for the caller's memory piece by piece, then carry the messages out."""
        pieces = [(argument, _RDWR_DATA.size)]
        if not data:
            return _again(pieces, [])
        where, count = _RDWR_DATA.unpack_from(data)
        if not 0 < count <= _MOST_MESSAGES:
            raise OSError(errno.EINVAL, "too many messages")
        pieces.append((where, count * _MESSAGE.size))
        head = _RDWR_DATA.size + count * _MESSAGE.size
        if len(data) < head:
            return _again(pieces, [])
        messages = [
            _Message(*_MESSAGE.unpack_from(data, _RDWR_DATA.size + at * _MESSAGE.size))
            for at in range(count)
        ]
        written = sum(each.length for each in messages if not each.reads)
        read = sum(each.length for each in messages if each.reads)
        if len(data) != head + written or out_size != read:
            pieces += [(each.buffer, each.length) for each in messages if not each.reads]
            return _again(pieces, [(e.buffer, e.length) for e in messages if e.reads])
        return _IOCTL_OUT.pack(count, 0, 0, 0) + self._carry_out(messages, data[head:])

    def _carry_out(self, messages: list[_Message], data: bytes) -> bytes:
        match messages:
            case [out, into] if not out.reads and into.reads and out.address == into.address:
                buffer = bytearray(into.length)
                self.bus.writeto_then_readfrom(out.address, data, buffer)
                return bytes(buffer)
            case [out] if not out.reads:
                self.bus.writeto(out.address, data)
                return b""
            case [into] if into.reads:
                buffer = bytearray(into.length)
                self.bus.readfrom_into(into.address, buffer)
                return bytes(buffer)
        raise OSError(errno.EOPNOTSUPP, "no such transfer")


def _again(copy_in: list[tuple[int, int]], copy_out: list[tuple[int, int]]) -> bytes:
    counts = _IOCTL_OUT.pack(0, _RETRY, len(copy_in), len(copy_out))
    return counts + b"".join(_PIECE.pack(*piece) for piece in copy_in + copy_out)
