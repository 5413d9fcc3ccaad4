"""What a step may ask of the control loop, and what it is sent back.

A step is a generator.  It yields one request at a time: ``Feeds`` is answered by the next
`Sample`, every other request by its own answer, given while both feeds are off (but for a supply
that is set with the ignition feed kept).
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple


class Sample(NamedTuple):
    """One control cycle's readings.

    Times in s on the bench clock, currents in A, voltage in V.  ``battery_feed`` and
    ``ignition_feed`` are as seen behind the feed relays (declared relay delays taken off).
    ``flags`` as in `drivers`; the switches and the master relay are None where not wired.
    """

    time_s: float
    current_a: float
    voltage_v: float
    battery_feed: bool
    ignition_feed: bool
    flags: int
    ignition_a: float
    emergency_stop: bool
    at_run: bool | None
    at_stop: bool | None
    master: bool | None = None


class Feeds(NamedTuple):
    """Which feeds to have made until the next sample."""

    battery: bool
    ignition: bool


OFF = Feeds(False, False)
BATTERY = Feeds(True, False)
IGNITION = Feeds(False, True)
BOTH = Feeds(True, True)


NEXT_TEST = "next_test"
"""The action of an isolation's question whether to do the test that is proposed."""
DO, SKIP, END = "do", "skip", "end"
AT_HAND = "at_hand"
"""The action of an isolation's question whether something is on the jig or beside it."""
YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True)
class Ask:
    """Somebody at the jig is to do or look at something; the answer is a word.

    ``action`` names it for a backend with hands, ``text`` asks a person, ``allowed`` are the
    answers a person may give (empty: free text), ``seen`` what a simulated jig shows them.
    """

    action: str
    text: str
    allowed: tuple[str, ...] = ("done", "cannot")
    detail: Mapping[str, Any] = field(default_factory=dict)
    seen: str = ""


@dataclass(frozen=True, slots=True)
class SetSupply:
    """Set the bench supply's voltage (V) and current limit (A); None leaves one as it is.

    ``keep_ignition`` leaves the ignition feed made meanwhile, so that the unit's relay holds; the
    battery feed is off in any case.
    """

    voltage_v: float | None = None
    limit_a: float | None = None
    keep_ignition: bool = False


@dataclass(frozen=True, slots=True)
class HalfTurnNews:
    """Tell whoever watches that a half-turn ended, as the control loop saw it (rough)."""

    to_run: bool
    parked: bool
    after_s: float


Request = Feeds | Ask | SetSupply | HalfTurnNews
Drive = Generator[Request, Any, None]
