"""When a feed relay's contact follows its coil: the declared delay taken off the command."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class ContactEstimate:
    """The believed state of a feed contact, delayed behind its command.

    ``operate_s`` and ``release_s`` in seconds.  The trace carries this state, so that a half-turn
    is timed from the contact and not from the coil.
    """

    operate_s: float
    release_s: float
    _state: bool = False
    _next: bool = False
    _due_s: float = float("-inf")

    def command(self, on: bool, time_s: float) -> None:
        """Note that the coil was switched at ``time_s``."""
        if on != self._next:
            self._next = on
            self._due_s = time_s + (self.operate_s if on else self.release_s)

    def at(self, time_s: float) -> bool:
        """Return the contact's state at ``time_s``."""
        if time_s >= self._due_s:
            self._state = self._next
        return self._state
