"""A value worked out from measurements: how sure it is, or why it could not be had."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """A parameter with its standard uncertainty ``u`` (k = 1), both in ``unit``.

    ``value`` and ``u`` are None if the data cannot determine it; ``missing`` then says what they
    lack and which step of a plan would bring it.
    """

    value: float | None
    u: float | None
    unit: str
    missing: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.value is not None


def unknown(unit: str, missing: str) -> Estimate:
    """Return the estimate of what the data cannot tell."""
    return Estimate(None, None, unit, missing)
