"""What a console may tell a running bench; small and picklable.

Taking the feeds off (`Stop`) works at any moment.  Everything else is a wish that the bench grants
when it is safe: a pause between two half-turns, a repetition when a step is over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

# A held key repeats after this delay at the latest (s): 0.66 s is the slowest default in use.
FIRST_LEASE_S = 0.75
# Later repeats come every 30-40 ms; a slow line bunches them (s, guess).
LEASE_S = 0.3
# No lease may be longer (s): whoever holds a feed must keep saying so.
LEASE_MAX_S = 1.0


@dataclass(frozen=True, slots=True)
class Stop:
    """End the job now, feeds off; ``by_operator``: somebody asked, not a lost console."""

    why: str
    by_operator: bool = True


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to the question asked last."""

    text: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Pause when the half-turn that is on is over, feeds off."""


@dataclass(frozen=True, slots=True)
class GoOn:
    """End the pause, or take the wish for one back."""


@dataclass(frozen=True, slots=True)
class RepeatStep:
    """Do the step that is on once more when it is over; ``wanted=False`` takes that back."""

    wanted: bool = True


@dataclass(frozen=True, slots=True)
class Note:
    """Write ``text`` into the run's record."""

    text: str


@dataclass(frozen=True, slots=True)
class Hold:
    """By hand: have these feeds made for ``lease_s`` (s, at most `LEASE_MAX_S`) from now.

    Nothing made, or a lease that ran out, means off.  ``at_s`` is when it was sent
    (`time.monotonic`, one clock for all processes of a computer), None if it is taken at once.
    """

    battery: bool
    ignition: bool
    lease_s: float = LEASE_S
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Meddle:
    """Simulated bench only: do ``action`` to the world (`drivers.Hands.do`)."""

    action: str
    detail: Mapping[str, Any] = field(default_factory=dict)


Command = Stop | Answer | Pause | GoOn | RepeatStep | Note | Hold | Meddle
