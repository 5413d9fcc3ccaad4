"""Waiting for what a bench in another process does, with room for a loaded machine."""

import time

import pytest

WAIT_S = 60.0  # nothing waits so long when all is well


def events_until(bench, kind):
    """Return the events up to the first of ``kind``."""
    seen = []
    end_s = time.monotonic() + WAIT_S
    while time.monotonic() < end_s:
        alive = bench.alive
        for event in bench.events(0.05):
            seen.append(event)
            if isinstance(event, kind):
                return seen
        if not alive:
            break
    pytest.fail(f"no {kind} came; there were {seen}")
