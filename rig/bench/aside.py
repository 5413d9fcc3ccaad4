"""A call that takes its time, carried out beside the control loop while that goes on cycling."""

from __future__ import annotations

import threading
from collections.abc import Callable

from drivers import Clock, SupplyError

WAIT_MOST_S = 15.0
"""So long the ignition feed may stay made for a supply that is set, s (guess).

About twice what setting a voltage and reading it back can take, failures included, at the usual
timeout of 1 s (some seven timeouts).  Where the rig file gives the supply longer, this ends it all
the same: a unit is not kept fed for a supply that is silent.
"""


class Aside:
    """Carries out ``call`` in a thread of its own, begun at once.

    Only for what touches no pin and no sensor: those belong to the control loop's thread alone.
    """

    def __init__(self, call: Callable[[], None]) -> None:
        self._call = call
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="aside", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._call()
        except BaseException as error:  # told to whoever waits, in the loop's own thread
            self._error = error

    def done(self) -> bool:
        """Tell whether the call has returned; raises what it raised."""
        if self._thread.is_alive():
            return False
        if self._error is not None:
            raise self._error
        return True


def wait_for(done: Callable[[], bool], cycle: Callable[[], object], clock: Clock) -> float:
    """Have the loop ``cycle`` until ``done``; return how long that took (s).

    Raises what the call raised, and SupplyError if it has not come back after `WAIT_MOST_S`.
    """
    from_s = clock.now_s()
    while not done():
        cycle()
        if clock.now_s() - from_s > WAIT_MOST_S:
            raise SupplyError(
                f"The bench supply was not set within {WAIT_MOST_S:g} s. Feeds are off. Check its "
                "serial cable and that it is on, then start again."
            )
    return clock.now_s() - from_s
