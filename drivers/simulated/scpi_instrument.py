"""The SCPI side of the simulated bench supply: program messages in, responses and errors out.

Follows SCPI-1999 (headers, short and long forms, path after a semicolon, error numbers and texts)
and IEEE 488.2 (common commands, status registers).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from .scpi_values import (
    AMPERE_SUFFIXES,
    NO_SUFFIX,
    VOLT_SUFFIXES,
    ScpiFaultError,
    expect_none,
    expect_one,
    level,
    number,
    switch,
)

IDENTITY = "Low Meadow,Bench Supply,0001,1.0"
QUEUE_LENGTH = 16
_LONGEST_MNEMONIC = 12

# Numbers and texts from SCPI-1999 volume 2, chapter 21.8.
ERROR_TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -141: "Invalid character data",
    -200: "Execution error",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device specific error",
    -310: "System error",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

# Event status register bits (IEEE 488.2, 11.5.1) by hundreds of the error number.
_OPERATION_COMPLETE = 1
_EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4}
_DEVICE_ERROR = 8
_POWER_ON = 128

_HEADER = re.compile(r":?[A-Za-z]\w*(?::[A-Za-z]\w*)*\??|\*[A-Za-z]+\??", re.ASCII)


class SupplyModel(Protocol):
    """The supply behind the instrument: what is set, and what is at its terminals (V, A)."""

    set_v: float
    limit_a: float
    output_on: bool

    def measured_v(self) -> float:
        """Return the voltage at the output."""
        ...

    def measured_a(self) -> float:
        """Return the current drawn."""
        ...


@dataclass(frozen=True)
class _Node:
    long: str
    short: str
    optional: bool

    def is_named(self, word: str) -> bool:
        return word in (self.long, self.short)


@dataclass(frozen=True)
class _Command:
    nodes: tuple[_Node, ...]
    set: Callable[[list[str]], None] | None
    query: Callable[[list[str]], str] | None


def _nodes(pattern: str) -> tuple[_Node, ...]:
    """Read a header as the standard writes it: ``[SOURce]:VOLTage[:LEVel]``."""
    found = re.findall(r"(\[?):?([A-Za-z]+)", pattern)
    return tuple(
        _Node(name.upper(), "".join(c for c in name if c.isupper()), bracket == "[")
        for bracket, name in found
    )


def _matches(words: tuple[str, ...], nodes: tuple[_Node, ...]) -> bool:
    if not nodes:
        return not words
    if words and nodes[0].is_named(words[0]) and _matches(words[1:], nodes[1:]):
        return True
    return nodes[0].optional and _matches(words, nodes[1:])


class ScpiInstrument:
    """Carries out program messages on ``supply``.

    ``max_v`` and ``max_a`` are the largest settings.  ``deaf``: settings are taken without an
    error and not carried out.
    """

    def __init__(self, supply: SupplyModel, max_v: float, max_a: float) -> None:
        self.supply = supply
        self.max_v = max_v
        self.max_a = max_a
        self.deaf = False
        self._queue: deque[int] = deque()
        self._events = _POWER_ON
        self._event_enable = 0
        self._service_enable = 0
        self._path: tuple[str, ...] = ()
        volts, amperes = "[SOURce]:VOLTage", "[SOURce]:CURRent"
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        self._commands = [
            _Command(_nodes(volts + level), self._set_volts, self._get_volts),
            _Command(_nodes(amperes + level), self._set_limit, self._get_limit),
            _Command(_nodes("OUTPut[:STATe]"), self._set_output, self._get_output),
            _Command(_nodes("MEASure[:SCALar]:VOLTage[:DC]"), None, self._measure_volts),
            _Command(_nodes("MEASure[:SCALar]:CURRent[:DC]"), None, self._measure_amperes),
            _Command(_nodes("SYSTem:ERRor[:NEXT]"), None, self._next_error),
            _Command(_nodes("SYSTem:VERSion"), None, self._version),
        ]

    # --- messages -------------------------------------------------------------------------

    def execute(self, message: str) -> str | None:
        """Carry out one program message; return its response, None if it has none.

        A command error (-1xx) ends the message, an execution error (-2xx) only its unit.
        """
        self._path = ()
        responses = []
        for unit in message.split(";"):
            if not unit.strip():
                continue
            try:
                response = self._unit(unit.strip())
            except ScpiFaultError as fault:
                self.queue_error(fault.number)
                if -200 < fault.number <= -100:
                    break
                continue
            if response is not None:
                responses.append(response)
        return ";".join(responses) if responses else None

    def queue_error(self, number: int) -> None:
        """Put an error into the queue; a full queue ends in -350 and takes no more."""
        kind = _EVENT_BITS.get(-number // 100, 0) if number < 0 else _DEVICE_ERROR
        self._events |= kind
        if len(self._queue) < QUEUE_LENGTH:
            self._queue.append(number)
        else:
            self._queue[-1] = -350

    def _unit(self, unit: str) -> str | None:
        header, *others = unit.split(None, 1)
        header = header.upper()
        self._check_header(header)
        rest = others[0] if others else ""
        parameters = [part.strip() for part in rest.split(",")] if rest else []
        if header.startswith("*"):
            return self._common(header, parameters)
        query = header.endswith("?")
        words = tuple(header.rstrip("?").lstrip(":").split(":"))
        if not header.startswith(":"):
            words = self._path + words
        for command in self._commands:
            carry_out = command.query if query else command.set
            if carry_out is not None and _matches(words, command.nodes):
                self._path = words[:-1]
                return carry_out(parameters)
        raise ScpiFaultError(-113)

    @staticmethod
    def _check_header(header: str) -> None:
        if not _HEADER.fullmatch(header):
            stray = re.search(r"[^\w:*?]", header, re.ASCII)
            raise ScpiFaultError(-101 if stray else -102)
        if any(len(word) > _LONGEST_MNEMONIC for word in re.split(r"[:*?]", header)):
            raise ScpiFaultError(-112)

    # --- common commands ------------------------------------------------------------------

    def _common(self, header: str, parameters: list[str]) -> str | None:
        if header in ("*ESE", "*SRE"):
            mask = round(number(expect_one(parameters), NO_SUFFIX, 0, 255))
            if header == "*ESE":
                self._event_enable = mask
            else:
                self._service_enable = mask
            return None
        expect_none(parameters)
        match header:
            case "*CLS":
                self._queue.clear()
                self._events = 0
            case "*RST":
                self._reset()
            case "*OPC":
                self._events |= _OPERATION_COMPLETE
            case "*WAI":
                pass
            case "*IDN?":
                return IDENTITY
            case "*OPC?":
                return "1"
            case "*TST?":
                return "0"
            case "*ESE?":
                return str(self._event_enable)
            case "*SRE?":
                return str(self._service_enable)
            case "*STB?":
                return str(self._status_byte())
            case "*ESR?":
                events, self._events = self._events, 0
                return str(events)
            case _:
                raise ScpiFaultError(-113)
        return None

    def _status_byte(self) -> int:
        status = 4 * bool(self._queue) | 32 * bool(self._events & self._event_enable)
        return status | 64 * bool(status & self._service_enable)

    def _reset(self) -> None:
        if not self.deaf:
            self.supply.output_on = False
            self.supply.set_v = 0.0
            self.supply.limit_a = 0.0

    # --- device commands ------------------------------------------------------------------

    def _set_volts(self, parameters: list[str]) -> None:
        value = number(expect_one(parameters), VOLT_SUFFIXES, 0.0, self.max_v)
        if not self.deaf:
            self.supply.set_v = value

    def _get_volts(self, parameters: list[str]) -> str:
        return level(parameters, self.supply.set_v, self.max_v)

    def _set_limit(self, parameters: list[str]) -> None:
        value = number(expect_one(parameters), AMPERE_SUFFIXES, 0.0, self.max_a)
        if not self.deaf:
            self.supply.limit_a = value

    def _get_limit(self, parameters: list[str]) -> str:
        return level(parameters, self.supply.limit_a, self.max_a)

    def _set_output(self, parameters: list[str]) -> None:
        on = switch(expect_one(parameters))
        if not self.deaf:
            self.supply.output_on = on

    def _get_output(self, parameters: list[str]) -> str:
        expect_none(parameters)
        return "1" if self.supply.output_on else "0"

    def _measure_volts(self, parameters: list[str]) -> str:
        expect_none(parameters)
        return f"{self.supply.measured_v():.3f}"

    def _measure_amperes(self, parameters: list[str]) -> str:
        expect_none(parameters)
        return f"{self.supply.measured_a():.3f}"

    def _version(self, parameters: list[str]) -> str:
        expect_none(parameters)
        return "1999.0"

    def _next_error(self, parameters: list[str]) -> str:
        expect_none(parameters)
        number = self._queue.popleft() if self._queue else 0
        return f'{number},"{ERROR_TEXTS.get(number, "Device specific error")}"'
