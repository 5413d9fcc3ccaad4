"""A controller's end of a world apart: pins, buses, port and hands that reach across a socket."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import struct
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from drivers import Backend, BackendError, Finding, FindingState, Hands, I2CBus, RigWiring
from drivers.clock import MonotonicClock

from ..i2c import LockedBus, wired_bus
from ..pins import SimulatedPin, SimulatedPinFactory
from . import messages
from .messages import BUS, HEAD, PIN
from .plain import to_plain

ANSWER_S = 2.0  # a world that does not answer within this time is taken for dead


class WorldLink:
    """A connection to the world in ``folder``; once broken it stays broken.

    ``answer_s`` is how long an answer is waited for.  Raises BackendError if there is no world;
    OSError afterwards if it does not answer.
    """

    def __init__(self, folder: Path, answer_s: float) -> None:
        self.folder = folder
        self._answer_s = answer_s
        self._socket = messages.new_socket()
        seconds, rest = divmod(answer_s, 1.0)
        limit = struct.pack("@ll", int(seconds), int(rest * 1e6))
        for option in (socket.SO_RCVTIMEO, socket.SO_SNDTIMEO):
            self._socket.setsockopt(socket.SOL_SOCKET, option, limit)
        try:
            self._socket.connect(str(messages.socket_path(folder)))
        except OSError as error:
            self._socket.close()
            raise BackendError(
                f"There is no world in {folder}: {error.strerror}. Start one with "
                f"`python -m drivers.simulated.apart {folder}`."
            ) from error
        self._lost: OSError | None = None
        self._into = bytearray(messages.LONGEST)

    def post(self, message: bytes) -> None:
        """Send what is not answered."""
        if self._lost is not None:
            raise self._lost
        try:
            self._socket.send(message)
        except OSError as error:
            raise self._break(error) from error

    def ask(self, message: bytes) -> memoryview:
        """Send what is answered; return the answer, good until the next one."""
        if self._lost is not None:
            raise self._lost
        into = self._into
        try:
            self._socket.send(message)
            length = self._socket.recv_into(into)
        except OSError as error:
            raise self._break(error) from error
        if not length:
            raise self._break(None)
        return memoryview(into)[:length]

    def _break(self, why: OSError | None) -> OSError:
        # A late answer would be taken for the next one's: nothing is asked any more.
        silent = isinstance(why, BlockingIOError)
        what = f"does not answer within {self._answer_s:g} s" if silent else "has gone"
        self._lost = OSError(errno.EIO, f"the world in {self.folder} {what}")
        return self._lost

    def order(self, do: str, **what: Any) -> dict[str, Any]:
        """Have an order carried out and return its answer; BackendError if the world has gone."""
        head = HEAD.pack(messages.ORDER, time.monotonic())
        try:
            answer = self.ask(head + json.dumps({"do": do, **what}).encode())
        except OSError as error:
            told = str(error.strerror)
            raise BackendError(
                f"{told[:1].upper()}{told[1:]}. Start one again, then the run."
            ) from error
        found: dict[str, Any] = json.loads(bytes(answer))
        return found

    def close(self) -> None:
        """Hang up.  Idempotent."""
        self._socket.close()


class DistantPins:
    """The world as `SimulatedPinFactory` wants it."""

    def __init__(self, link: WorldLink) -> None:
        self._link = link

    def output_changed(self, pin: int, level: bool) -> None:
        """Have an output drive ``level``."""
        self._link.post(PIN.pack(messages.DRIVE, time.monotonic(), pin, level))

    def output_released(self, pin: int) -> None:
        """Have a pin drive no more."""
        self._link.post(PIN.pack(messages.LET_GO, time.monotonic(), pin, 0))

    def input_level(self, pin: int) -> bool:
        """Return the level at a pin, whoever drives it."""
        return bool(self._link.ask(PIN.pack(messages.LEVEL, time.monotonic(), pin, 0))[0])

    def sync(self) -> None:
        """Nothing to do: the world keeps its own time."""


class DistantPin(SimulatedPin):
    """A pin of a world apart.  An output reads back what the world has at it."""

    def _get_state(self) -> bool:
        return self._world.input_level(self._number)

    state = property(_get_state, SimulatedPin._set_state)

    def close(self) -> None:
        """Give the pin back; of a world that has gone there is nothing to give back."""
        with contextlib.suppress(OSError):
            super().close()


class DistantBus(LockedBus):
    """An I2C bus of a world apart; OSError as Linux gives it, EIO if the world has gone."""

    def __init__(self, link: WorldLink, number: int) -> None:
        super().__init__()
        self._ask = link.ask
        self._number = number

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """Write bytes to a chip."""
        self._transfer(address, bytes(buffer[start:end]), 0)

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        """Read bytes from a chip at its register pointer."""
        end = len(buffer) if end is None else end
        buffer[start:end] = self._transfer(address, b"", end - start)

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
        in_end = len(buffer_in) if in_end is None else in_end
        out = bytes(buffer_out[out_start:out_end])
        buffer_in[in_start:in_end] = self._transfer(address, out, in_end - in_start)

    def _transfer(self, address: int, out: bytes, read: int) -> memoryview:
        head = BUS.pack(messages.TRANSFER, time.monotonic(), self._number, address, len(out), read)
        answer = self._ask(head + out)
        if answer[0]:
            raise OSError(answer[0], os.strerror(answer[0]))
        return answer[1:]


class DistantHands:
    """Somebody at the jig of a world apart."""

    def __init__(self, link: WorldLink) -> None:
        self._link = link

    def do(self, action: str, detail: Mapping[str, Any]) -> str:
        """Do ``action``; ValueError if it cannot be done, BackendError if the world has gone."""
        answer = self._link.order("hands", action=action, detail=dict(detail))
        if "refused" in answer:
            raise ValueError(answer["refused"])
        return str(answer["did"])


class WorldClock(MonotonicClock):
    """World time: CLOCK_MONOTONIC since the world began."""

    def __init__(self, origin_s: float) -> None:
        self._origin_s = origin_s

    def now_s(self) -> float:
        """Return the present time in seconds."""
        return time.monotonic() - self._origin_s

    def sleep_until(self, time_s: float) -> None:
        """Return at ``time_s`` or at once if it has passed."""
        super().sleep_until(self._origin_s + time_s)


class ApartBackend(Backend):
    """The world in ``folder`` as a backend; its pins are ours until `close`, or until we die.

    Raises BackendError with the world's reason if it does not give them.
    """

    name = "simulated"
    simulated = True

    def __init__(
        self,
        folder: Path,
        wiring: RigWiring,
        seed: int,
        faults: tuple[str, ...],
        extra: Mapping[str, str],
    ) -> None:
        self._link = WorldLink(folder, ANSWER_S)
        try:
            taken = self._need(
                self._link.order(
                    "take",
                    wiring=to_plain(wiring),
                    seed=seed,
                    faults=list(faults),
                    extra=dict(extra),
                    pid=os.getpid(),
                )
            )
        except BaseException:
            self._link.close()
            raise
        self.clock = WorldClock(taken["origin_s"])
        self.pin_factory: Any = SimulatedPinFactory(DistantPins(self._link), DistantPin)
        self.hands: Hands | None = DistantHands(self._link)
        self._buses = {number: DistantBus(self._link, number) for number in taken["buses"]}

    @staticmethod
    def _need(answer: dict[str, Any]) -> dict[str, Any]:
        if "refused" in answer:
            raise BackendError(answer["refused"])
        return answer

    def i2c(self, bus: int) -> I2CBus:
        """Return I2C bus number ``bus``; BackendError if no sensor is wired to it."""
        return wired_bus(self._buses, bus)

    def serial_port(self, port: str) -> str:
        """Return the path of the simulated supply's port, which is in the world."""
        return str(self._need(self._link.order("serial", port=port))["path"])

    def facts(self) -> dict[str, str]:
        """Return what the world tells of itself."""
        found: dict[str, str] = self._need(self._link.order("facts"))["facts"]
        return found

    def checks(self, buses: Sequence[int]) -> tuple[Finding, ...]:
        """Return that there is nothing to look at."""
        text = f"emulated in the world in {self._link.folder}: nothing real is fed"
        return (Finding("pins", "Pins, buses and port", FindingState.OK, text),)

    def close(self) -> None:
        """Give the pins back and hang up.  Idempotent."""
        self.pin_factory.close()
        self._link.close()
