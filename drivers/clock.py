"""The clock of real hardware."""

from __future__ import annotations

import time


class MonotonicClock:
    """The system's monotonic clock, in seconds."""

    def now_s(self) -> float:
        """Return the present time in seconds."""
        return time.monotonic()

    def sleep_until(self, time_s: float) -> None:
        """Return at ``time_s`` or at once if it has passed."""
        left_s = time_s - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)
