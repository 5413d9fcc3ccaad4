"""A Raspberry Pi: pins through lgpio, I2C buses by number, serial ports by path.

Nothing is looked for by falling back: the pin factory is made for the chip whose label is that of
the header's GPIO, and whatever is missing is an error.  ``board`` is never imported (it asks on
the terminal whether to install packages).
"""

from __future__ import annotations

import atexit
import contextlib
import errno
import fcntl
import os
import struct
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from . import BackendError, BackendOptions, Clock, Finding, Hands, I2CBus, RigWiring
from .clock import MonotonicClock

# Labels of the GPIO that the 40-pin header is on: Pi 5; Pi 4; Pi 3, 2 and Zero.
HEADER_LABELS = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835")
_CHIP_INFO = struct.Struct("32s32sI")  # struct gpiochip_info of linux/gpio.h: name, label, lines
_GET_CHIP_INFO = 0x8044B401  # GPIO_GET_CHIPINFO_IOCTL
# linux/i2c-dev.h.  Left alone, the kernel waits a second for a wedged bus, far longer than the
# dead-man's hold time, and may try again.
_I2C_RETRIES, _I2C_TIMEOUT = 0x0701, 0x0702
_I2C_TIMEOUT_10_MS = 1
_PERSIST = (
    "/sys/module/pinctrl_rp1/parameters/persist_gpio_outputs",
    "/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs",
)


class PiBackend:
    """The real bench.  Raises BackendError, in a sentence, for whatever is missing."""

    name = "pi"
    simulated = False
    hands: Hands | None = None

    def __init__(self, wiring: RigWiring, options: BackendOptions) -> None:
        _refuse(options)
        self.clock: Clock = MonotonicClock()
        self._buses: dict[int, Any] = {}
        self._chip, self._label = find_header_chip(Path("/dev"))
        self.pin_factory: Any = _open_pins(self._chip)
        # gpiozero closes at exit only the factory that it chose itself.
        atexit.register(self.close)

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``; BackendError if it cannot be opened."""
        if bus not in self._buses:
            self._buses[bus] = open_i2c(bus)
        opened: I2CBus = self._buses[bus]
        return opened

    def serial_port(self, port: str) -> str:
        """Return the path that pyserial opens: the configured one."""
        return port

    def facts(self) -> dict[str, str]:
        """Return what is worth recording of this machine."""
        return {
            "gpio_chip": f"gpiochip{self._chip}",
            "gpio_label": self._label,
            "machine": _text("/proc/device-tree/model") or "unknown",
            "kernel": os.uname().release,
            "outputs_outlive_program": outputs_outlive_program(),
        }

    def checks(self, buses: Sequence[int]) -> tuple[Finding, ...]:
        """Return what is found of the pins and the I2C ``buses``; claims no pin."""
        from .pi_checks import bus_speed, outputs_released, pin_factory

        return (
            pin_factory(self.pin_factory, self._chip, self._label),
            outputs_released(outputs_outlive_program()),
            *(bus_speed(bus, Path("/")) for bus in buses),
        )

    def close(self) -> None:
        """Give pins and buses back.  Idempotent."""
        factory, self.pin_factory = self.pin_factory, None
        if factory is not None:
            atexit.unregister(self.close)
            factory.close()
        for bus in self._buses.values():
            bus.deinit()
        self._buses.clear()


def outputs_outlive_program() -> str:
    """Return ``yes``, ``no`` or ``unknown``: whether pins stay driven after the program has died.

    Raspberry Pi OS leaves them driven unless ``dtparam=strict_gpiod`` is set.
    """
    for path in _PERSIST:
        state = _text(path)
        if state:
            return "yes" if state.upper() in ("Y", "1") else "no"
    return "unknown"


def find_header_chip(devices: Path) -> tuple[int, str]:
    """Return number and label of the GPIO chip that the header is on; BackendError if none is.

    By label, because the number has changed between kernels.
    """
    denied = None
    for path in sorted(devices.glob("gpiochip*"), key=lambda p: int(p.name[8:] or 0)):
        try:
            label = chip_label(path)
        except PermissionError:
            denied = path
            continue
        except OSError:
            continue
        if label in HEADER_LABELS:
            return int(path.name[8:]), label
    if denied is not None:
        raise BackendError(
            f"{denied} may not be opened. Add this user to the group gpio "
            "(sudo adduser $USER gpio) and log in again."
        )
    raise BackendError(
        "No GPIO of a Raspberry Pi was found on this machine (looked for "
        f"{', '.join(HEADER_LABELS)}). Run on a Raspberry Pi, or choose the simulated bench."
    )


def chip_label(path: Path) -> str:
    """Return the label of a gpiochip device; OSError if it cannot be asked."""
    with path.open("rb") as device:
        info = fcntl.ioctl(device, _GET_CHIP_INFO, bytes(_CHIP_INFO.size))
    label: bytes = _CHIP_INFO.unpack(info)[1]
    return label.split(b"\0")[0].decode("ascii", "replace")


def open_i2c(number: int) -> Any:
    """Open I2C bus ``number`` by its device, with a short time-out and no retries.

    BackendError if it is absent or not allowed.
    """
    os.environ.setdefault("BLINKA_SKIP_DEPENDENCY_CHECK", "1")
    try:
        from adafruit_blinka import Lockable
        from adafruit_blinka.microcontroller.generic_linux.i2c import I2C

        class Bus(Lockable, I2C):  # type: ignore[misc]  # Blinka is untyped
            """A bus by number with the lock that the sensor library expects."""

            def readfrom_into(
                self,
                address: int,
                buffer: Any,
                *,
                start: int = 0,
                end: int | None = None,
                stop: bool = True,
            ) -> None:
                """Read bytes from a chip; OSError if they do not come."""
                count = (len(buffer) if end is None else end) - start
                data = self._i2c_bus.read_bytes(address, count)
                # Of a raw file, Python returns None where the kernel answers EAGAIN: the bus went
                # to another master.  Blinka would take it for data.
                if data is None or len(data) != count:
                    raise OSError(errno.EAGAIN, "the bus was lost in the middle of a transfer")
                buffer[start : start + count] = data

            def deinit(self) -> None:
                self._i2c_bus.close()

        bus = Bus(number)
    except ImportError as error:
        raise BackendError(
            f"The library for I2C is missing ({error}). Install the program with its dependencies."
        ) from error
    except PermissionError as error:
        raise BackendError(
            f"I2C bus {number} may not be opened. Add this user to the group i2c "
            "(sudo adduser $USER i2c) and log in again."
        ) from error
    except (RuntimeError, OSError) as error:
        raise BackendError(
            f"I2C bus {number} cannot be opened: {error}. Switch I2C on "
            "(sudo raspi-config nonint do_i2c 0) and check the bus number in the rig file."
        ) from error
    with contextlib.suppress(OSError, AttributeError):  # works without, only slower to give up
        device = bus._i2c_bus._device.fileno()
        fcntl.ioctl(device, _I2C_TIMEOUT, _I2C_TIMEOUT_10_MS)
        fcntl.ioctl(device, _I2C_RETRIES, 0)
    return bus


def _open_pins(chip: int) -> Any:
    # lgpio makes a named pipe at import, in LG_WD or else wherever the program was started.
    if "LG_WD" not in os.environ:
        os.environ["LG_WD"] = _run_folder()
    try:
        from .pi_pins import open_factory
    except (ImportError, AttributeError) as error:  # AttributeError: the empty lgpio 0.0.0.2
        raise BackendError(
            f"The library lgpio cannot be used ({error}). Install it: sudo apt install "
            "python3-lgpio, with a venv made by --system-site-packages, or pip install "
            "'lgpio>=0.2.2'."
        ) from error
    try:
        return open_factory(chip)
    except Exception as error:  # lgpio has an error class of its own, derived from Exception
        raise BackendError(
            f"gpiochip{chip} cannot be opened: {error}. Add this user to the group gpio, and see "
            "that no other program holds the pins."
        ) from error


def _run_folder() -> str:
    for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        folder = os.environ.get(name, "").split(":")[0]
        if folder and os.access(folder, os.W_OK):
            return folder
    return tempfile.mkdtemp(prefix="halfturn-run-")


def _refuse(options: BackendOptions) -> None:
    if options.faults:
        raise BackendError(
            "Faults can only be set on the simulated bench. Leave --fault out, or choose the "
            "simulated bench."
        )
    if options.seed != BackendOptions().seed:
        raise BackendError(
            "A seed can only be given to the simulated bench. Leave --seed out, or choose the "
            "simulated bench."
        )
    if options.extra:
        raise BackendError(
            f"The backend pi takes no option {', '.join(sorted(options.extra))}. Leave it out."
        )


def _text(path: str) -> str:
    try:
        return Path(path).read_text(encoding="ascii", errors="replace").strip("\0 \n")
    except OSError:
        return ""
