"""A backend brought from outside: the simulated world with nobody at its jig, in real time."""

from dataclasses import replace

from drivers.simulated.backend import SimulatedBackend


def make(wiring, options):
    backend = SimulatedBackend(wiring, replace(options, real_time=True))
    backend.hands = None
    return backend
