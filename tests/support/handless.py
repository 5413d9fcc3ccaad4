"""Backends brought from outside: the simulated world with nobody at its jig."""

from dataclasses import replace

from drivers.simulated.backend import SimulatedBackend


def make(wiring, options):
    """In real time."""
    return make_virtual(wiring, replace(options, real_time=True))


def make_virtual(wiring, options):
    """In the world's own time."""
    backend = SimulatedBackend(wiring, options)
    backend.hands = None
    return backend


make_virtual.keeps_own_time = True
