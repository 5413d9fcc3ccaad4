"""A backend brought from outside: the simulated world on a bus that hangs for good in mid-run."""

import time
from dataclasses import replace

from drivers.simulated.backend import SimulatedBackend

HANGS_AFTER_S = 2.0


class HangingBus:
    def __init__(self, bus, clock):
        self._bus = bus
        self._clock = clock

    def __getattr__(self, name):
        return getattr(self._bus, name)

    def writeto_then_readfrom(self, *args, **kwargs):
        self._hang()
        return self._bus.writeto_then_readfrom(*args, **kwargs)

    def readfrom_into(self, *args, **kwargs):
        self._hang()
        return self._bus.readfrom_into(*args, **kwargs)

    def _hang(self):
        if self._clock.now_s() > HANGS_AFTER_S:
            time.sleep(1000)


def make(wiring, options):
    backend = SimulatedBackend(wiring, replace(options, real_time=True))
    plain = backend.i2c
    backend.i2c = lambda number: HangingBus(plain(number), backend.clock)
    return backend
