"""Why a run ends early.

BenchError
|- OccupiedError      another console commands the bench
|- RefusedError       the bench will not start, and says why; nothing was fed
|- UnansweredError    a question that nobody is there to answer
|- Tripped            the guard took the feeds away (sent into the running step first)
`- Stopped            operator, signal or lost console asked for the end
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class TripKind(StrEnum):
    """What the guard saw."""

    OVER_CURRENT = "over_current"
    STALL = "stall"
    RUN_ON = "run_on"
    OVER_TIME = "over_time"
    OVER_TEMPERATURE = "over_temperature"
    EMERGENCY_STOP = "emergency_stop"
    SENSOR_LOST = "sensor_lost"
    LOOP_LATE = "loop_late"
    FEED_MISMATCH = "feed_mismatch"
    LIVE_WITH_FEED_OFF = "live_with_feed_off"
    SENSOR_CLIPPED = "sensor_clipped"
    MASTER_DROPPED = "master_dropped"
    VOLTAGE_MISSING = "voltage_missing"


# Kinds that say something about the unit; all others are the rig's and never count against it.
UNIT_TRIPS = frozenset(
    {
        TripKind.OVER_CURRENT,
        TripKind.STALL,
        TripKind.RUN_ON,
        TripKind.OVER_TEMPERATURE,
    }
)


@dataclass(frozen=True, slots=True)
class Trip:
    """A guard trip: kind, time on the bench clock (s), and a sentence for the operator."""

    kind: TripKind
    time_s: float
    text: str

    @property
    def of_unit(self) -> bool:
        """Tell whether the trip says something about the unit rather than the rig."""
        return self.kind in UNIT_TRIPS


class BenchError(RuntimeError):
    """A run cannot start or go on."""


class OccupiedError(BenchError):
    """Another console commands the bench; ``pid`` is its process number."""

    def __init__(self, pid: int) -> None:
        super().__init__(
            f"Another console (process {pid}) is at this bench. Close it first; `halfturn attach "
            "--stop` ends its job all the same."
        )
        self.pid = pid


class RefusedError(BenchError):
    """The bench will not start; nothing was fed."""


class UnansweredError(BenchError):
    """A question is open and nobody is there to answer it; the message is the operator's."""


class Tripped(BenchError):  # noqa: N818 - an event that happened, not a fault of the program
    """The guard took the feeds away."""

    def __init__(self, trip: Trip) -> None:
        super().__init__(trip.text)
        self.trip = trip


class Stopped(BenchError):  # noqa: N818 - as above
    """Somebody or something asked the run to end; ``by_operator`` tells which."""

    def __init__(self, text: str, *, by_operator: bool) -> None:
        super().__init__(text)
        self.by_operator = by_operator
