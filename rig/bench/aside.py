"""A call that takes its time, carried out beside the control loop while that goes on cycling."""

from __future__ import annotations

from _thread import start_new_thread
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
        self._over = False
        # Not a `threading.Thread`: to start one is to wait until it runs, for ever if there is no
        # memory left for that.
        start_new_thread(self._run, ())

    def _run(self) -> None:
        try:
            self._call()
        except BaseException as error:  # told to whoever waits, in the loop's own thread
            self._error = error
        finally:
            self._over = True

    def done(self) -> bool:
        """Tell whether the call has returned; raises what it raised."""
        if not self._over:
            return False
        if self._error is not None:
            raise self._error
        return True


def in_time(done: Callable[[], bool], clock: Clock) -> Callable[[], bool]:
    """Return ``done``, which from `WAIT_MOST_S` on raises SupplyError where it would say no."""
    until_s = clock.now_s() + WAIT_MOST_S

    def done_in_time() -> bool:
        if done():
            return True
        if clock.now_s() > until_s:
            raise SupplyError(
                f"The bench supply was not set within {WAIT_MOST_S:g} s. Feeds are off. Check its "
                "serial cable and that it is on, then start again."
            )
        return False

    return done_in_time


def wait_for(done: Callable[[], bool], cycle: Callable[[], object], clock: Clock) -> float:
    """Have the loop ``cycle`` until ``done``; return how long that took (s).

    Raises what the call raised, and SupplyError if it has not come back after `WAIT_MOST_S`.
    """
    from_s, done = clock.now_s(), in_time(done, clock)
    while not done():
        cycle()
    return clock.now_s() - from_s
