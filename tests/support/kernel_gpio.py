"""A GPIO chip of a Raspberry Pi at the level of system calls, under the real lgpio library.

gpiozero, its lgpio factory, ``lgpio`` and the C library inside it run unchanged; only the C
library's ``open``, ``close`` and ``ioctl`` are ours.  Answers follow linux/gpio.h (version 2 of the
interface, which lgpio 0.2.2 speaks) and drivers/gpio/gpiolib-cdev.c of Linux 6.1.  What a line does
when its holder lets go is a matter of the pin controller: ``keeps_outputs`` True is Raspberry Pi
OS as it comes, False is mainline and ``dtparam=strict_gpiod``.
"""

from __future__ import annotations

import ctypes
import errno
import functools
import os
from dataclasses import dataclass

from c_calls import answering, libc, replace_call

from drivers.simulated.pins import PinWorld

LINES = 54
_MOST, _MOST_ATTRIBUTES = 64, 10  # GPIO_V2_LINES_MAX, GPIO_V2_LINE_NUM_ATTRS_MAX

# GPIO_V2_LINE_FLAG_*
USED = 1 << 0
INPUT, OUTPUT = 1 << 2, 1 << 3
PULL_UP, PULL_DOWN, BIAS_DISABLED = 1 << 8, 1 << 9, 1 << 10
_BIAS = PULL_UP | PULL_DOWN | BIAS_DISABLED
_OUTPUT_VALUES = 2  # GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES


class _ChipInfo(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_char * 32),
        ("label", ctypes.c_char * 32),
        ("lines", ctypes.c_uint32),
    )


class _Attribute(ctypes.Structure):
    _fields_ = (("id", ctypes.c_uint32), ("padding", ctypes.c_uint32), ("value", ctypes.c_uint64))


class _MaskedAttribute(ctypes.Structure):
    _fields_ = (("attribute", _Attribute), ("mask", ctypes.c_uint64))


class _LineInfo(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_char * 32),
        ("consumer", ctypes.c_char * 32),
        ("offset", ctypes.c_uint32),
        ("attributes_used", ctypes.c_uint32),
        ("flags", ctypes.c_uint64),
        ("attributes", _Attribute * _MOST_ATTRIBUTES),
        ("padding", ctypes.c_uint32 * 4),
    )


class _LineConfig(ctypes.Structure):
    _fields_ = (
        ("flags", ctypes.c_uint64),
        ("attributes_used", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("attributes", _MaskedAttribute * _MOST_ATTRIBUTES),
    )


class _LineRequest(ctypes.Structure):
    _fields_ = (
        ("offsets", ctypes.c_uint32 * _MOST),
        ("consumer", ctypes.c_char * 32),
        ("config", _LineConfig),
        ("lines", ctypes.c_uint32),
        ("event_buffer_size", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("fd", ctypes.c_int32),
    )


class _LineValues(ctypes.Structure):
    _fields_ = (("bits", ctypes.c_uint64), ("mask", ctypes.c_uint64))


def _number(way: int, number: int, what: type[ctypes.Structure]) -> int:
    """Return the ioctl number, as asm-generic/ioctl.h makes it."""
    return way << 30 | ctypes.sizeof(what) << 16 | 0xB4 << 8 | number


_READ, _BOTH = 2, 3
GET_CHIP_INFO = _number(_READ, 0x01, _ChipInfo)
GET_LINE_INFO = _number(_BOTH, 0x05, _LineInfo)
GET_LINE = _number(_BOTH, 0x07, _LineRequest)
GET_VALUES = _number(_BOTH, 0x0E, _LineValues)
SET_VALUES = _number(_BOTH, 0x0F, _LineValues)


@dataclass
class Line:
    """One line: who holds it (-1: nobody), its direction, level and bias."""

    fd: int = -1
    out: bool = False
    level: bool = False
    bias: int = 0


class GpioChip:
    """gpiochip ``number`` wired to ``world``.  ``failing``: every write of a level gives EIO."""

    def __init__(
        self,
        world: PinWorld,
        number: int = 0,
        label: str = "pinctrl-rp1",
        keeps_outputs: bool = True,
    ) -> None:
        self.world = world
        self.path = f"/dev/gpiochip{number}"
        self.label = label
        self.keeps_outputs = keeps_outputs
        self.lines = [Line() for _ in range(LINES)]
        self.stuck: dict[int, bool] = {}
        self.failing = False
        self.denied = False
        self._fds: dict[int, tuple[int, ...]] = {}  # the chip itself holds no lines

    def stick(self, pin: int, level: bool | None) -> None:
        """Hold a line at ``level`` whatever drives it, or let go of it (None)."""
        if level is None:
            self.stuck.pop(pin, None)
        else:
            self.stuck[pin] = level
        line = self.lines[pin]
        if line.out:
            self.world.output_changed(pin, self.stuck.get(pin, line.level))

    @property
    def open_files(self) -> int:
        """How many files somebody has open: the chip, and lines held."""
        return len(self._fds)

    # --- system calls ---------------------------------------------------------------------

    def open(self) -> int:
        """Open the chip; PermissionError if that is not allowed."""
        if self.denied:
            raise PermissionError(errno.EACCES, "Permission denied")
        return self._new_fd(())

    def owns(self, fd: int) -> bool:
        """Whether a file descriptor is one of ours."""
        return fd in self._fds

    def close(self, fd: int) -> None:
        """Close the chip or let go of lines, as the kernel does when a process ends, too."""
        for pin in self._fds.pop(fd):
            line = self.lines[pin]
            self.lines[pin] = Line(out=line.out, level=line.level)
            if line.out and not self.keeps_outputs:
                self._make_input(pin)
        os.close(fd)

    def ioctl(self, fd: int, request: int, address: int) -> int:
        """Carry out one call; OSError as the kernel would answer."""
        if request == GET_CHIP_INFO:
            info = _ChipInfo.from_address(address)
            info.name = os.path.basename(self.path).encode()  # noqa: PTH119  # no path of ours
            info.label = self.label.encode()
            info.lines = LINES
        elif request == GET_LINE_INFO:
            self._tell(_LineInfo.from_address(address))
        elif request == GET_LINE:
            self._claim(_LineRequest.from_address(address))
        elif request == GET_VALUES:
            values = _LineValues.from_address(address)
            values.bits = sum(
                self.level(pin) << at
                for at, pin in enumerate(self._fds[fd])
                if values.mask >> at & 1
            )
        elif request == SET_VALUES:
            values = _LineValues.from_address(address)
            for at, pin in enumerate(self._fds[fd]):
                if values.mask >> at & 1:
                    self._write(pin, bool(values.bits >> at & 1))
        else:
            raise OSError(errno.EINVAL, f"no such call: 0x{request:08X}")
        return 0

    # --- lines ----------------------------------------------------------------------------

    def level(self, pin: int) -> bool:
        """Return what a line reads."""
        if pin in self.stuck:
            return self.stuck[pin]
        line = self.lines[pin]
        if line.out:
            return line.level
        self.world.sync()
        return self.world.input_level(pin)

    def _tell(self, info: _LineInfo) -> None:
        line = self._line(info.offset)
        info.flags = line.bias | (OUTPUT if line.out else INPUT) | USED * (line.fd >= 0)

    def _line(self, pin: int) -> Line:
        if pin >= LINES:
            raise OSError(errno.EINVAL, "Invalid argument")
        return self.lines[pin]

    def _claim(self, request: _LineRequest) -> None:
        pins = tuple(request.offsets[: request.lines])
        if any(self._line(pin).fd >= 0 for pin in pins):
            raise OSError(errno.EBUSY, "Device or resource busy")
        config = request.config
        levels = 0  # an output drives low unless it is told otherwise
        for each in config.attributes[: config.attributes_used]:
            if each.attribute.id == _OUTPUT_VALUES:
                levels = each.attribute.value & each.mask
        request.fd = self._new_fd(pins)
        for at, pin in enumerate(pins):
            line = self.lines[pin]
            line.fd = request.fd
            line.bias = config.flags & _BIAS
            if config.flags & OUTPUT:
                was_out, line.out = line.out, True
                level = bool(levels >> at & 1)
                if not was_out or level is not line.level:
                    self._drive(pin, level)
            elif config.flags & INPUT and line.out:
                self._make_input(pin)

    def _write(self, pin: int, level: bool) -> None:
        if not self.lines[pin].out:
            raise PermissionError(errno.EPERM, "Operation not permitted")
        if self.failing:
            raise OSError(errno.EIO, "Input/output error")
        if level is not self.lines[pin].level:
            self._drive(pin, level)

    def _drive(self, pin: int, level: bool) -> None:
        self.lines[pin].level = level
        self.world.sync()
        self.world.output_changed(pin, self.stuck.get(pin, level))

    def _make_input(self, pin: int) -> None:
        self.lines[pin].out = False
        self.world.sync()
        self.world.output_released(pin)

    def _new_fd(self, pins: tuple[int, ...]) -> int:
        fd = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
        self._fds[fd] = pins
        return fd


_present: list[GpioChip] = []  # what there is in /dev for the library
_Ioctl = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.c_int, ctypes.c_ulong, ctypes.c_void_p, use_errno=True
)
_Open = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_uint, use_errno=True)
_Close = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_int, use_errno=True)


def plug_in(chip: GpioChip) -> None:
    """Let the lgpio library find ``chip`` under its path, and no other."""
    _take_over_calls()
    _present[:] = [chip]


def unplug() -> None:
    """Let the lgpio library find no chip."""
    _present.clear()


@functools.cache
def _take_over_calls() -> tuple[object, ...]:
    import _lgpio

    real_open, real_close, real_ioctl = libc("open"), libc("close"), libc("ioctl")

    def open_(path: bytes, flags: int, mode: int) -> int:
        name = os.fsdecode(path)
        for chip in _present:
            if chip.path == name:
                return chip.open()
        if name.startswith("/dev/gpiochip"):
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        return int(real_open(path, flags, ctypes.c_uint(mode)))

    def close(fd: int) -> int:
        for chip in _present:
            if chip.owns(fd):
                chip.close(fd)
                return 0
        return int(real_close(fd))

    def ioctl(fd: int, request: int, address: int | None) -> int:
        for chip in _present:
            if chip.owns(fd):
                return chip.ioctl(fd, request, address or 0)
        return int(real_ioctl(fd, ctypes.c_ulong(request), ctypes.c_void_p(address)))

    ours = (_Open(answering(open_)), _Close(answering(close)), _Ioctl(answering(ioctl)))
    for name, function in zip(("open", "close", "ioctl"), ours, strict=True):
        replace_call(_lgpio.__file__, name, function)
    return ours
