"""The hardware seam: what a backend supplies, what the drivers are told, what they report.

A backend replaces pins, bus and port, never the drivers: gpiozero, the INA219 library and
pyserial run unchanged on a Raspberry Pi and on the simulated bench.  ``drivers`` never imports
``rig``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple, Protocol, runtime_checkable

# --- errors -----------------------------------------------------------------------------------
#
# DriverError
# |- BackendError   the pins, bus or port of a backend cannot be had
# |- FeedError      a feed output does not follow its command
# |- SensorError    a current sensor cannot be set up (while running, losses are flags, not raises)
# `- SupplyError    the bench supply does not answer, refuses or reports an error


class DriverError(RuntimeError):
    """Hardware trouble, told as a sentence with what happened, where, and what to do next."""


class BackendError(DriverError):
    """The pins, the bus or the port of a backend cannot be had."""


class FeedError(DriverError):
    """A feed output does not follow its command."""


class SensorError(DriverError):
    """A current sensor cannot be set up."""


class SupplyError(DriverError):
    """The bench supply does not answer, refuses a command or reports an error."""


# --- what the drivers are told ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OutputWiring:
    """A relay output: BCM pin number and what level makes the relay."""

    pin: int
    active_high: bool = True


@dataclass(frozen=True, slots=True)
class FeedWiring(OutputWiring):
    """A feed relay: its pin, and the declared time from pin edge to contact.

    ``operate_s`` and ``release_s`` in seconds (relay data sheet, or measured).
    """

    operate_s: float = 0.007
    release_s: float = 0.003


@dataclass(frozen=True, slots=True)
class InputWiring:
    """A switch input: BCM pin number, and whether its contact opens when it is actuated.

    ``normally_closed = True`` with a pull-up means: level low = at rest, level high = actuated or
    the wire is broken, so that a broken wire reads as the safe side.
    """

    pin: int
    normally_closed: bool = False


@dataclass(frozen=True, slots=True)
class DeadManWiring(OutputWiring):
    """The dead-man output and, if wired, the master relay's auxiliary contact that reads it back.

    ``timeout_s`` is the longest hold time of the hardware timer (0.10 to 0.15 s is usual).
    """

    sense_pin: int | None = None
    timeout_s: float = 0.15


@dataclass(frozen=True, slots=True)
class SensorWiring:
    """An INA219 and its shunt.

    ``address`` 0x40-0x4F, ``shunt_ohm`` the fitted four-terminal shunt, ``gain`` (1) and
    ``offset_a`` (A, subtracted before gain) from calibration; ``voltage_gain`` (1) and
    ``voltage_offset_v`` (V, likewise) those of the bus voltage.  ``max_a`` is the largest current
    to be measured (A): the PGA range follows from it.  ``average`` is the number of samples the
    chip averages (1, 2, 4 ... 128).  ``bus_every`` interleaves one bus-voltage read every so many
    samples.
    """

    bus: int
    address: int
    shunt_ohm: float
    max_a: float
    gain: float = 1.0
    offset_a: float = 0.0
    average: int = 1
    bus_every: int = 10
    voltage_gain: float = 1.0
    voltage_offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class SupplyWiring:
    """A programmable bench supply on a serial port, spoken to in SCPI."""

    port: str
    baud: int = 9600
    timeout_s: float = 1.0
    max_v: float = 16.0
    max_a: float = 30.0


@dataclass(frozen=True, slots=True)
class StationWiring:
    """One place on the rig for a unit."""

    name: str
    battery_feed: FeedWiring
    ignition_feed: FeedWiring
    battery_sensor: SensorWiring
    ignition_sensor: SensorWiring | None = None
    at_run: InputWiring | None = None
    at_stop: InputWiring | None = None


@dataclass(frozen=True, slots=True)
class RigWiring:
    """Everything a backend and the drivers need to know of how the rig is wired."""

    stations: tuple[StationWiring, ...]
    dead_man: DeadManWiring | None = None
    emergency_stop: InputWiring | None = None
    supply: SupplyWiring | None = None
    battery_v: float = 12.6
    fuse_a: float = 10.0


# --- what the drivers report ------------------------------------------------------------------

OK = 0
CLIPPED = 1  # at the end of the PGA range: the true current is larger
LOST = 2  # no answer from the sensor: current and voltage are NaN
RESET = 4  # the chip had fallen back to its power-on configuration and was set up again
STUCK = 8  # reads the same code again and again, or codes that cannot be


class Reading(NamedTuple):
    """One current sample.  ``time_s`` on the backend's clock is the middle of the conversion."""

    time_s: float
    current_a: float
    voltage_v: float
    flags: int


class FindingState(StrEnum):
    """How a check of the machine came out."""

    OK = "ok"
    LOOK = "look"  # works, but not as well or as safely as it could
    WRONG = "wrong"  # a run would not start, or must not
    LEFT_OUT = "left_out"  # could not be looked at, or is not there


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check of the machine found: ``text`` what was seen, ``to_do`` what to do then."""

    name: str
    title: str
    state: FindingState
    text: str
    to_do: str = ""


# --- what a backend supplies ------------------------------------------------------------------


class Clock(Protocol):
    """Time on a monotonic axis, in seconds; virtual on the simulated bench unless in real time."""

    def now_s(self) -> float:
        """Return the present time in seconds."""
        ...

    def sleep_until(self, time_s: float) -> None:
        """Return at ``time_s`` or at once if it has passed."""
        ...


class I2CBus(Protocol):
    """The bus interface that the sensor library expects (CircuitPython ``busio.I2C``)."""

    def try_lock(self) -> bool:
        """Take the bus; False if taken."""
        ...

    def unlock(self) -> None:
        """Give the bus back."""
        ...

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """Write bytes to a chip; OSError if none acknowledges."""
        ...

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        """Read bytes from a chip at its register pointer; OSError if none acknowledges."""
        ...

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
        """Set the register pointer and read; OSError if none acknowledges."""
        ...


class Hands(Protocol):
    """Somebody at the jig.  A backend without hands leaves the asking to the program."""

    def do(self, action: str, detail: Mapping[str, Any]) -> str:
        """Do ``action`` (``hang_load``, ``lock_lever`` ...); return what was done or seen."""
        ...


class Backend(Protocol):
    """One world: its clock, pins, buses and ports."""

    name: str
    simulated: bool
    clock: Clock
    pin_factory: Any
    hands: Hands | None

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``; BackendError if it cannot be opened."""
        ...

    def serial_port(self, port: str) -> str:
        """Return the path that pyserial opens for the configured ``port``."""
        ...

    def facts(self) -> dict[str, str]:
        """Return what is worth recording of this backend (seed, faults, chip label ...)."""
        ...

    def close(self) -> None:
        """Release everything.  Idempotent."""
        ...


@runtime_checkable
class ChecksItself(Protocol):
    """A backend that can look at the machine it runs on; no part of `Backend` needs it."""

    def checks(self, buses: Sequence[int]) -> tuple[Finding, ...]:
        """Return what is found of pins and of the I2C ``buses``; claims no pin, reads no chip."""
        ...


@dataclass(frozen=True, slots=True)
class BackendOptions:
    """What the command line may ask of a backend; a backend refuses what it cannot do."""

    seed: int = 1
    faults: tuple[str, ...] = ()
    real_time: bool = False
    extra: Mapping[str, str] = field(default_factory=dict)
