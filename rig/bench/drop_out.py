"""The master relay's drop-out, once the dead-man output stops toggling."""

from __future__ import annotations

from collections.abc import Callable

from drivers import Clock
from rig.bench.errors import RefusedError
from rig.bench.station import Edges


def drop_s(
    dead_man: Edges, allowed_s: float, still_cycle: Callable[[], object], clock: Clock
) -> float:
    """Give no edges until the master relay has dropped; return how long that took at most, s.

    ``still_cycle`` is a cycle of the loop with the feeds off and no edge.  Raises RefusedError if
    the relay is seen made later than ``allowed_s``.
    """
    stopped_s = clock.now_s()
    while True:
        # The time first: a machine held up between the two would make the relay seem late.
        looked_s = clock.now_s()
        if not dead_man.picked_up:
            break
        if looked_s - stopped_s > allowed_s:
            raise RefusedError(
                f"The master relay is still made {allowed_s:.2f} s after the dead-man output "
                "stopped: a hung computer would keep a unit fed. Repair the dead-man timer or "
                "the master relay; do not use the rig until then."
            )
        still_cycle()
    return clock.now_s() - stopped_s
