"""A programmable bench supply over a serial port, in SCPI.

Uses IEEE 488.2 common commands and SCPI-1999 ``SOURce:VOLTage``, ``SOURce:CURRent``, ``OUTPut``,
``MEASure`` and ``SYSTem:ERRor?``.  Every call waits for the supply, up to a few times
``timeout_s``: not for use inside the control loop while a feed is on.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from typing import TypeVar

from . import SupplyError, SupplyWiring
from .scpi import ScpiError, parse_error, parse_number, parse_switch
from .serial_line import LineLink, NoReplyError

Value = TypeVar("Value")

# A set value must read back as close as this.  Usual supplies set in steps of 1 to 10 mV or mA;
# twice the coarser one (guess).
READBACK_V = 0.02
READBACK_A = 0.02
# More entries than any error queue holds; a supply that reports more never stops reporting.
_MOST_ERRORS = 64
_TOLD = 5  # errors of a queue that a sentence repeats
_SHOWN = 60  # characters of a senseless reply that are repeated
_GREETINGS = 2  # opening a port resets some instruments, and they miss the first line


class BenchSupply:
    """One bench supply.

    Opens the port for itself alone and identifies the supply; SupplyError if either fails.  The
    output is never switched on but by ``output(True)``.
    """

    def __init__(self, wiring: SupplyWiring, port_path: str) -> None:
        self.wiring = wiring
        self._link = LineLink(port_path, wiring.baud, wiring.timeout_s)
        self._identity = ""
        self._late = False  # whether a missed reply may still come
        self._link.open()
        try:
            self._identity = self._greet()
        except SupplyError:
            self._link.close()
            raise

    # --- commands -------------------------------------------------------------------------

    def identify(self) -> str:
        """Return the reply to ``*IDN?``: maker, model, serial number, firmware."""
        return self._query("*IDN?", str)

    def set_voltage(self, volts: float) -> None:
        """Set the output voltage (V, 0 to the rig's ``max_v``) and read it back."""
        self._set("SOUR:VOLT", volts, self.wiring.max_v, "V", READBACK_V)

    def set_current_limit(self, amperes: float) -> None:
        """Set the current limit (A, 0 to the rig's ``max_a``) and read it back."""
        self._set("SOUR:CURR", amperes, self.wiring.max_a, "A", READBACK_A)

    def output(self, on: bool) -> None:
        """Switch the output and read it back."""
        self._command(f"OUTP {'ON' if on else 'OFF'}")
        if self.output_is_on() is not on:
            raise SupplyError(
                f"The bench supply was told to switch its output {'on' if on else 'off'} but says "
                "that it has not. Switch it off by hand and look at its display for a trip."
            )

    def output_is_on(self) -> bool:
        """Return whether the output is on."""
        return self._query("OUTP?", parse_switch)

    def measure_v(self) -> float:
        """Return the voltage at the output (V)."""
        return self._query("MEAS:VOLT?", parse_number)

    def measure_a(self) -> float:
        """Return the current drawn (A)."""
        return self._query("MEAS:CURR?", parse_number)

    def errors(self) -> list[ScpiError]:
        """Empty the supply's error queue and return what was in it, oldest first."""
        found: list[ScpiError] = []
        while len(found) < _MOST_ERRORS:
            entry = self._ask("SYST:ERR?", parse_error)
            if entry.number == 0:
                return found
            found.append(entry)
        raise SupplyError(
            f"The bench supply does not stop reporting errors, the last one {found[-1]}. "
            "Switch it off and on."
        )

    # --- the connection -------------------------------------------------------------------

    def reconnect(self, patience_s: float = 5.0) -> None:
        """Open the port anew, trying again and again for ``patience_s`` seconds.

        The same instrument must answer.  Its output stays as it is: on again is for the caller to
        order.  Raises SupplyError.
        """
        end_s = time.monotonic() + patience_s
        pause_s = 0.1
        while True:
            try:
                self._link.open()
                identity = self._greet()
                break
            except SupplyError:
                self._link.close()
                if time.monotonic() + pause_s > end_s:
                    raise
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, 1.0)
        if identity != self._identity:
            self._link.close()
            raise SupplyError(
                f"Another instrument answers on {self._link.path}: {identity!r} in place of "
                f"{self._identity!r}. Connect the right one, or start again to use this one."
            )

    def close(self) -> None:
        """Switch the output off, if the supply still listens, and give the port back.

        Idempotent; never raises.
        """
        if not self._link.is_open:
            return
        with contextlib.suppress(SupplyError):  # the feeds are off by other means
            self.output(False)
        self._link.close()

    # --- inside ---------------------------------------------------------------------------

    def _set(self, header: str, value: float, most: float, unit: str, within: float) -> None:
        if not 0 <= value <= most:
            raise SupplyError(
                f"{value:g} {unit} is not within 0 to {most:g} {unit}, what the rig file allows "
                "the bench supply. Change the plan or the rig file."
            )
        self._command(f"{header} {value:.3f}")
        got = self._query(f"{header}?", parse_number)
        if abs(got - value) > within:
            raise SupplyError(
                f"The bench supply was set to {value:g} {unit} but reads back {got:g} {unit}. "
                "See that it is in remote mode and that its own limits allow the value."
            )

    def _command(self, text: str) -> None:
        """Send a command and report what it puts into the error queue."""
        self._resynchronise()
        self._link.send(text)
        found = self.errors()
        if found:
            raise SupplyError(
                f"The bench supply answered {text!r} with {_listed(found)}. "
                "See its manual for the command and its own limits."
            )

    def _query(self, text: str, parse: Callable[[str], Value]) -> Value:
        """Ask, and if no answer comes say what the supply reports of it."""
        try:
            return self._ask(text, parse)
        except NoReplyError as error:
            raise SupplyError(f"No answer to {text!r}. {error}{self._reported()}") from error

    def _ask(self, text: str, parse: Callable[[str], Value]) -> Value:
        self._resynchronise()
        self._late = True
        self._link.send(text)
        reply = self._link.receive()
        try:
            value = parse(reply)
        except ValueError as error:
            raise SupplyError(
                f"The bench supply answered {text!r} with {reply[:_SHOWN]!r}, which makes no "
                "sense. See that the right instrument is connected, and reconnect."
            ) from error
        self._late = False
        return value

    def _greet(self) -> str:
        """Return the identity of whatever answers, after throwing away what it sent before."""
        self._link.drain()
        for last in range(_GREETINGS):
            self._link.send("*IDN?")
            try:
                identity = self._link.receive()
            except NoReplyError:
                if last == _GREETINGS - 1:
                    raise
                continue
            if not identity:  # any empty line would pass for this supply later on
                raise SupplyError(
                    f"What answers on {self._link.path} does not say what it is. See that the "
                    "bench supply is connected there, in remote mode."
                )
            self._link.drain()  # the first greeting may be answered too, late
            self._late = False
            return identity
        raise AssertionError("unreachable")

    def _resynchronise(self) -> None:
        """After a missed or senseless reply: wait for the identity, and for nothing after it."""
        if not self._late:
            return
        self._link.drain()
        self._link.send("*IDN?")
        end_s = time.monotonic() + self._link.timeout_s
        while (left_s := end_s - time.monotonic()) > 0:
            if self._link.receive(left_s) == self._identity:
                self._link.drain()
                self._late = False
                return
        raise NoReplyError(
            f"The bench supply on {self._link.path} answers out of step. Switch it off and on, "
            "then reconnect."
        )

    def _reported(self) -> str:
        """What the supply says of a query that it did not answer, if it says anything."""
        try:
            self._resynchronise()
            found = self.errors()
        except SupplyError:
            return ""
        return f" It reports {_listed(found)}." if found else ""


def _listed(found: list[ScpiError]) -> str:
    told = "; ".join(f"error {entry}" for entry in found[:_TOLD])
    more = len(found) - _TOLD
    return f"{told}; and {more} more" if more > 0 else told
