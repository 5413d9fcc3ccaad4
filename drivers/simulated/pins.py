"""gpiozero's mock pins, wired to the simulated world.

A pin behaves as one of a Raspberry Pi under our own pin class: claiming it as an output drives
its first level at once, and giving it back leaves it to the external pull resistor.  Made an
output the plain way (``function = "output"``) it drives low first, as lgpio does; so a driver that
would blip an active-low relay is seen to do so in ``states``.
"""

from __future__ import annotations

from typing import Any, Protocol

from gpiozero.exc import PinInvalidFunction, PinSetInput
from gpiozero.pins.mock import MockFactory, MockPin, PinState

_KEEP_FIRST = 64  # states kept from the start ...
_KEEP_LAST = 64  # ... and up to twice so many from the end
_new_state = tuple.__new__  # half the cost of PinState(...)
_BOARD = "c03114"  # a Raspberry Pi 4 B: 40-pin header, BCM 2 to 27


class PinWorld(Protocol):
    """What the pins are wired to."""

    def output_changed(self, pin: int, level: bool) -> None:
        """Take note that an output now drives ``level``."""
        ...

    def output_released(self, pin: int) -> None:
        """Take note that a pin drives no more."""
        ...

    def input_level(self, pin: int) -> bool:
        """Return the level of a pin that nothing on the Pi drives."""
        ...

    def sync(self) -> None:
        """Bring the world up to the present (nothing to do in virtual time)."""
        ...


class SimulatedPin(MockPin):  # type: ignore[misc]  # gpiozero is untyped
    """A pin of the simulated bench.

    ``states`` keeps the first and the latest states, ``changes`` counts all of them.
    """

    factory: SimulatedPinFactory

    def __init__(self, factory: SimulatedPinFactory, info: Any) -> None:
        self._world = factory.world
        self._stuck = factory.stuck
        super().__init__(factory, info)
        self._state = self._world.input_level(self._number)
        self.changes = 0
        self.clear_states()

    @property
    def bcm(self) -> int:
        """BCM number."""
        return int(self._number)

    def close(self) -> None:
        """Give the pin back: an input, at the level of its external pull."""
        self.when_changed = None
        self._set_function("input")

    def output_with_state(self, state: bool) -> None:
        """Drive ``state`` from the first moment."""
        self._world.sync()
        self._function = "output"
        self._drive(bool(state))

    def _set_function(self, value: str) -> None:
        if value not in ("input", "output"):
            raise PinInvalidFunction("function must be input or output")
        if value == "output" and self._function == "input":
            self.output_with_state(False)
        elif value == "input" and self._function == "output":
            self._world.sync()
            self._function = "input"
            self._world.output_released(self._number)
            self._note(self._world.input_level(self._number))

    def _set_state(self, value: float) -> None:
        if self._function != "output":
            raise PinSetInput(f"cannot set state of pin {self!r}")
        level = bool(value)
        if level is not self._state:
            self._world.sync()
            self._drive(level)

    def _drive(self, level: bool) -> None:
        self._note(level)
        number = self._number
        stuck = self._stuck
        self._world.output_changed(number, stuck.get(number, level) if stuck else level)

    def _note(self, level: bool) -> None:
        if level is self._state:
            return
        self._state = level
        self.changes = changes = self.changes + 1
        states = self.states
        states.append(_new_state(PinState, (changes, level)))
        if len(states) > _KEEP_FIRST + 2 * _KEEP_LAST:
            del states[_KEEP_FIRST : _KEEP_FIRST + _KEEP_LAST]

    def clear_states(self) -> None:
        """Start a new record of states.  The first field of each is its number."""
        self.states = [PinState(0, self._state)]

    def _get_state(self) -> bool:
        number = self._number
        if self._function == "output":
            level: bool = self._state
        else:
            self._world.sync()
            level = self._world.input_level(number)
            self._note(level)
        return self._stuck.get(number, level) if self._stuck else level

    # The mock pin's own property goes round by a lambda; a dead-man toggles in every cycle.
    state = property(_get_state, _set_state)

    def _set_pull(self, value: str) -> None:
        # The wiring decides the level of an input, not the internal pull.
        self._pull = value


class SimulatedPinFactory(MockFactory):  # type: ignore[misc]
    """Makes the pins.

    ``stuck``: levels by BCM number that a pin has and keeps, whatever is written to it.  Use
    ``stick`` so that the world hears of it.
    """

    def __init__(self, world: PinWorld, pin_class: type[SimulatedPin] = SimulatedPin) -> None:
        super().__init__(revision=_BOARD, pin_class=pin_class)
        self.world = world
        self.stuck: dict[int, bool] = {}

    def stick(self, pin: int, level: bool | None) -> None:
        """Hold BCM ``pin`` at ``level``, or let go of it (None)."""
        self.world.sync()
        if level is None:
            self.stuck.pop(pin, None)
        else:
            self.stuck[pin] = level
        for made in self.pins.values():
            if made.bcm == pin and made.function == "output":
                self.world.output_changed(pin, self.stuck.get(pin, made._state))
