"""Pins of a Raspberry Pi that do not blip.  Imports ``lgpio``: import this module lazily.

gpiozero's own lgpio pin is claimed as a floating input first, and is driven low before it gets its
level (0.8 ms of an active-low relay made, in a trace); closed, it floats.  Ours is left as
the firmware set it until it is asked for, is claimed with its level at once, and once given back is
pulled towards the level it was first given: off.  The external pull resistor is needed all the
same, for the time before the program starts and for a program that is killed.
"""

from __future__ import annotations

from typing import Any

import lgpio
from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin
from gpiozero.pins.local import LocalPiPin


class SteadyPin(LGPIOPin):  # type: ignore[misc]  # gpiozero is untyped
    """A pin that is an output from its first level on, and off when given back."""

    def __init__(self, factory: Any, info: Any) -> None:
        # LGPIOPin's own constructor would claim the line as a floating input; what it sets else:
        LocalPiPin.__init__(self, factory, info)
        self._pwm = None
        self._bounce = None
        self._callback = None
        self._edges = lgpio.BOTH_EDGES
        self._first_level: bool | None = None  # of an output that we hold

    def output_with_state(self, state: bool) -> None:
        """Claim the line as an output with its level in one step."""
        level = bool(state)
        lgpio.gpio_claim_output(self.factory._handle, self._number, int(level))
        # A line that is ours already keeps its old level when claimed again.
        lgpio.gpio_write(self.factory._handle, self._number, int(level))
        self._first_level = level

    def _set_function(self, value: str) -> None:
        self._first_level = None
        super()._set_function(value)

    def _set_state(self, value: float) -> None:
        if self._first_level is None or self._pwm:
            super()._set_state(value)
            return
        # The plain way asks the kernel for the line's mode before every write.
        lgpio.gpio_write(self.factory._handle, self._number, int(bool(value)))

    def close(self) -> None:
        """Give the line back, pulled towards the level it was first given."""
        handle = self.factory._handle
        first, self._first_level = self._first_level, None
        if handle is None or first is None:
            return
        pull = lgpio.SET_PULL_UP if first else lgpio.SET_PULL_DOWN
        lgpio.gpio_claim_input(handle, self._number, pull)


def open_factory(chip: int) -> LGPIOFactory:
    """Return a pin factory on gpiochip number ``chip`` that makes steady pins."""
    factory = LGPIOFactory(chip=chip)
    factory.pin_class = SteadyPin
    return factory
