"""Jig end switches and the emergency stop, as gpiozero inputs, not debounced."""

from __future__ import annotations

from typing import Any

from gpiozero import InputDevice

from . import BackendError, InputWiring


class Switch:
    """A contact from the pin to ground, with the pin pulled up.

    Normally closed: low at rest, high when actuated, and a broken wire reads as actuated (the safe
    side).  Normally open: low when actuated.  Raises BackendError if the pin cannot be had.
    """

    def __init__(self, wiring: InputWiring, pin_factory: Any, name: str = "switch") -> None:
        self.name = name
        self._actuated_level = wiring.normally_closed
        self._device: Any = None
        try:
            self._device = InputDevice(wiring.pin, pull_up=True, pin_factory=pin_factory)
        except Exception as error:
            raise BackendError(
                f"The {name} on GPIO {wiring.pin} cannot be read: {error}. "
                "See that no other program uses the pin and that the rig file names the right one."
            ) from error
        self._pin = self._device.pin

    @property
    def actuated(self) -> bool:
        """Whether the switch is actuated at this moment, not debounced.

        A closed or unreadable normally-closed switch counts as actuated; a normally-open one as
        not actuated.
        """
        try:
            return bool(self._pin.state) is self._actuated_level
        except Exception:
            return self._actuated_level

    def close(self) -> None:
        """Give the pin back.  Idempotent."""
        device, self._device = self._device, None
        if device is not None:
            self._pin = None
            device.close()
