"""The learnt knowledge that ships with the program."""

from __future__ import annotations

from functools import lru_cache

from rig.analysis.faults.posterior import Knowledge


@lru_cache(maxsize=1)
def load() -> Knowledge:
    """Return the shipped knowledge; read once, on first use."""
    return Knowledge()
