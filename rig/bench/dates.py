"""The dates of one job: the wall's clock is read once, from then on time only goes forward.

A Raspberry Pi has no clock of its own that runs while it is off: its date is set by the network
when that comes up, in the middle of a run if need be, and forwards or back.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

STEPPED_S = (
    2.0  # the wall's clock was set if it is off by more; being steered it drifts less (guess)
)


def wall_clock() -> datetime:
    """Return the computer's date and time."""
    return datetime.now(UTC)


class Dates:
    """Dates that keep the order and the lengths of what happened, whatever the wall's clock does.

    ``wall`` returns the computer's date, ``monotonic`` seconds that never go back.
    """

    def __init__(
        self,
        wall: Callable[[], datetime] | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall = wall or wall_clock
        self._monotonic = monotonic
        self.began = self._wall()
        self._from_s = monotonic()

    def now(self) -> datetime:
        """Return the date of this moment."""
        return self.began + timedelta(seconds=self._monotonic() - self._from_s)

    def stepped_s(self) -> float:
        """Return by how much (s) the computer's clock was set since the beginning; 0.0 if not."""
        off_s = (self._wall() - self.now()).total_seconds()
        return off_s if abs(off_s) > STEPPED_S else 0.0

    def behind(self, newest: datetime | None) -> str:
        """Return what is said if the clock was behind the ``newest`` run's; empty if not."""
        if newest is None or self.began >= newest:
            return ""
        return (
            f"This run began at {self.began:%Y-%m-%d %H:%M:%S} UTC by the computer's clock, but "
            f"the run before it is dated {newest:%Y-%m-%d %H:%M:%S}. Set the clock: runs are "
            "listed by their dates, so this one stands below that one although it was made later."
        )

    def stepped(self) -> str:
        """Return what is said if the clock was set since the beginning; empty if not."""
        off_s = self.stepped_s()
        if not off_s:
            return ""
        way = "forward" if off_s > 0 else "back"
        return (
            f"The computer's clock was set {way} by {abs(off_s):.0f} s during the run. All times "
            f"in its record go on from its beginning, {self.began:%Y-%m-%d %H:%M:%S} UTC as the "
            "clock said then."
        )
