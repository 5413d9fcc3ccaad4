"""Which session does which job."""

from __future__ import annotations

from drivers import Backend
from rig.bench.order import ByHandOrder, IsolationOrder, Job, RigCheckOrder
from rig.bench.realtime import Claim
from rig.bench.seams import Console, Keeper
from rig.bench.session import Session


def carry_out(
    job: Job, backend: Backend, keeper: Keeper, console: Console, claim: Claim | None = None
) -> None:
    """Do ``job``; how it ended is told to ``console``.  Raises what the sessions raise.

    ``claim`` is what this thread was granted for it, None where time is the world's own.
    """
    if isinstance(job, RigCheckOrder):
        from rig.bench.rig_check import RigCheck

        RigCheck(job, backend, console).run()
    elif isinstance(job, ByHandOrder):
        from rig.bench.by_hand import ByHandSession

        ByHandSession(job, backend, keeper, console).run(claim)
    elif isinstance(job, IsolationOrder):
        from rig.bench.isolation import Isolation

        Isolation(job, backend, keeper, console).run(claim)
    else:
        Session(job, backend, keeper, console).run(claim)
