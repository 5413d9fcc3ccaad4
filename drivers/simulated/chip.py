"""The INA219 at register level, on an emulated I2C bus.

Everything here follows the data sheet TI SBOS448G ("Zero-Drift, Bidirectional Current/Power
Monitor With I2C Interface").  Where the sheet is silent a note says what was assumed.

The chip is lazy: nothing runs between two reads.  A read finds the latest conversion that had
ended by then, asks the world for the mean over that conversion's window, and keeps the code, so
that the same conversion read twice gives the same code.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Protocol

from .i2c import SimulatedBus

__all__ = ["ChipSource", "Ina219Chip", "SimulatedBus"]

RESET_CONFIG = 0x399F  # 32 V, PGA /8, 12 bit, 12 bit, shunt and bus continuous
SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3
POWER_DOWN_RECOVERY_S = 40e-6

# Typical conversion times (s) and resolution (bits) of the four single-sample settings.
_SINGLE = ((84e-6, 9), (148e-6, 10), (276e-6, 11), (532e-6, 12))
_NO_BITS = (0, 4)  # modes in which nothing is converted: power-down, ADC off
_BUS_LIMIT = (4000, 8000)  # full-scale codes of the 16 V and 32 V ranges
_NEVER_S = 1e15


class ChipSource(Protocol):
    """What is at the chip's pins."""

    def mean_shunt_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage across the shunt (V) from ``t0_s`` to ``t1_s``."""
        ...

    def mean_bus_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage from IN- to ground (V) from ``t0_s`` to ``t1_s``."""
        ...


def adc_setting(code: int) -> tuple[float, int, int]:
    """Return (conversion time in s, bits, samples averaged) of a 4-bit BADC or SADC code."""
    if code & 0b1000:
        samples: int = 1 << (code & 0b0111)
        return 532e-6 * samples, 12, samples
    time_s, bits = _SINGLE[code & 0b0011]
    return time_s, bits, 1


class Ina219Chip:
    """One chip.  ``now`` is the world's time (s); ``rng`` draws the noise.

    Fault attributes, to be set at any time: ``absent`` (does not acknowledge), ``hung`` (holds the
    clock: its transactions time out), ``stuck`` (the converter has stopped: registers keep their
    values and no conversion completes), ``noise_v`` (sigma of one 12-bit sample, at the shunt, V),
    ``offset_v`` (at the shunt, V).  ``time_factor`` stretches all conversion times: the sheet
    gives 586 us at most for the typical 532 us, a factor of 1.10.
    """

    def __init__(
        self,
        source: ChipSource,
        now: Callable[[], float],
        rng: random.Random,
        *,
        time_factor: float = 1.0,
    ) -> None:
        self._source = source
        self._now = now
        self._rng = rng
        self._time_factor = time_factor
        self.absent = False
        self.hung = False
        self.stuck = False
        self.noise_v = 0.0
        self.offset_v = 0.0
        self.power_on_reset()

    def power_on_reset(self) -> None:
        """Lose everything, as when the supply of the chip drops out."""
        self.pointer = 0  # assumed: the sheet does not say where the pointer is after power-on
        self._calibration = 0
        self._shunt_code = 0
        self._bus_code = 0
        self._start(RESET_CONFIG, self._now())

    # --- the bus side ---------------------------------------------------------------------

    def read(self, lag_s: float = 0.0) -> int:
        """Return the 16-bit word at the pointer as it was ``lag_s`` before now."""
        time_s = self._now() - lag_s
        pointer = self.pointer
        if pointer == 1:
            return self._shunt(time_s) & 0xFFFF
        if pointer == 0:
            return self._config
        if pointer == 2:
            return self._bus_word(time_s)
        if pointer == 3:
            power = self._power(time_s)[0] if self._calibration else 0
            self._clear_ready(time_s)
            return power
        if pointer == 4:
            current, _ = self._current(time_s)
            return current & 0xFFFF
        return self._calibration if pointer == 5 else 0

    def write(self, register: int, value: int) -> None:
        """Write a register.  Only configuration and calibration can be written."""
        self.pointer = register
        if register == 0:
            self._configure(value)
        elif register == 5:
            self._calibration = value & 0xFFFE  # bit 0 is void

    # --- configuration --------------------------------------------------------------------

    def _configure(self, value: int) -> None:
        if value & 0x8000:  # RST resets as power-on does, and clears itself
            pointer = self.pointer
            self.power_on_reset()
            self.pointer = pointer
            return
        time_s = self._now()
        was_ready = self._is_ready(time_s)
        self._shunt(time_s)  # a conversion that had ended by now stays readable
        self._bus(time_s)
        recovery_s = POWER_DOWN_RECOVERY_S if self._mode == 0 else 0.0
        self._start(value & 0x3FFF, time_s + recovery_s)
        if self._mode in _NO_BITS:
            self._ready = was_ready

    def _start(self, config: int, time_s: float) -> None:
        """Begin a train of conversions: shunt, then bus, over and over or once (triggered)."""
        self._config = config
        self._mode = mode = config & 0b111
        gain = 1 << (config >> 11 & 0b11)
        shunt_s, shunt_bits, samples = adc_setting(config >> 3 & 0b1111)
        bus_s, bus_bits, _ = adc_setting(config >> 7 & 0b1111)
        self._shunt_s = shunt_s * self._time_factor
        self._bus_s = bus_s * self._time_factor
        self._shunt_limit = 4000 * gain
        self._bus_limit = _BUS_LIMIT[config >> 13 & 1]
        # The sheet gives one 10 uV step for 12 bits at every gain; each bit less doubles it.
        self._shunt_coarse = 1 << (12 - shunt_bits)
        self._bus_coarse = 1 << (12 - bus_bits)
        self._noise_scale = 1.0 / math.sqrt(samples)

        shunt_on = mode in (1, 3, 5, 7)
        bus_on = mode in (2, 3, 6, 7)
        self._started_s = time_s
        self._cycle_s = self._shunt_s * shunt_on + self._bus_s * bus_on or 1.0
        # Assumed: shunt before bus, each register taken over when its own conversion ends.
        self._shunt_first_s = time_s + self._shunt_s if shunt_on else _NEVER_S
        self._bus_first_s = time_s + self._cycle_s if bus_on else _NEVER_S
        self._ready_first_s = time_s + self._cycle_s if shunt_on or bus_on else _NEVER_S
        self._last = 0.0 if mode < 4 else math.inf  # triggered: one conversion, number 0
        self._shunt_done = -1.0  # number of the conversion that each register holds
        self._bus_done = -1.0
        self._ready_done = -1.0  # number of the cycle up to which CNVR has been cleared
        self._ready = False

    # --- conversions ----------------------------------------------------------------------

    def _shunt(self, time_s: float) -> int:
        number = (time_s - self._shunt_first_s) // self._cycle_s
        if number > self._last:
            number = self._last
        if number > self._shunt_done and not self.stuck:
            self._shunt_done = number
            end_s = self._shunt_first_s + number * self._cycle_s
            volts = self._source.mean_shunt_v(end_s - self._shunt_s, end_s) + self.offset_v
            if self.noise_v:
                volts += self._rng.gauss(0.0, self.noise_v * self._noise_scale)
            limit = self._shunt_limit
            coarse = self._shunt_coarse
            code = round(volts / (SHUNT_STEP_V * coarse)) * coarse
            self._shunt_code = limit if code > limit else -limit if code < -limit else code
        return self._shunt_code

    def _bus(self, time_s: float) -> int:
        number = (time_s - self._bus_first_s) // self._cycle_s
        if number > self._last:
            number = self._last
        if number > self._bus_done and not self.stuck:
            self._bus_done = number
            end_s = self._bus_first_s + number * self._cycle_s
            volts = self._source.mean_bus_v(end_s - self._bus_s, end_s)
            coarse = self._bus_coarse
            code = round(volts / (BUS_STEP_V * coarse)) * coarse
            self._bus_code = min(max(code, 0), self._bus_limit)
        return self._bus_code

    def _cycles(self, time_s: float) -> float:
        return min((time_s - self._ready_first_s) // self._cycle_s, self._last)

    def _is_ready(self, time_s: float) -> bool:
        """CNVR: all conversions of a cycle have ended since it was cleared."""
        if not self.stuck and self._cycles(time_s) > self._ready_done:
            self._ready = True
        return self._ready

    def _clear_ready(self, time_s: float) -> None:
        self._ready = False
        self._ready_done = max(self._cycles(time_s), -1.0)

    # --- calculated registers -------------------------------------------------------------

    def _current(self, time_s: float) -> tuple[int, bool]:
        """Current register and whether it is out of range (section 8.5.1 of the sheet)."""
        value = int(self._shunt(time_s) * self._calibration / 4096)
        return value, not -0x8000 <= value <= 0x7FFF

    def _power(self, time_s: float) -> tuple[int, bool]:
        current, overflow = self._current(time_s)
        value = abs(current) * self._bus(time_s) // 5000
        return value & 0xFFFF, overflow or value > 0xFFFF

    def _bus_word(self, time_s: float) -> int:
        overflow = self._calibration != 0 and self._power(time_s)[1]
        return self._bus(time_s) << 3 | self._is_ready(time_s) << 1 | overflow
