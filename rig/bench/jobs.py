"""Which session does which job."""

from __future__ import annotations

from drivers import Backend
from rig.bench.opening import FedJob
from rig.bench.order import (
    ByHandOrder,
    CalibrationOrder,
    IsolationOrder,
    Job,
    RigCheckOrder,
    RunOrder,
)
from rig.bench.premises import Premises
from rig.bench.realtime import Claim
from rig.bench.seams import Console, Keeper


def carry_out(
    job: Job,
    backend: Backend,
    keeper: Keeper,
    console: Console,
    claim: Claim | None = None,
    premises: Premises | None = None,
) -> None:
    """Do ``job``; how it ended is told to ``console``.  Raises what the sessions raise.

    ``premises`` None: it has the rig to itself, as calibrations and self-checks must.
    ``claim`` is what this thread was granted for it, None where time is the world's own.
    """
    if isinstance(job, CalibrationOrder):
        from rig.bench.calibrating import CalibrationJob

        CalibrationJob(job, backend, keeper, console).run()
    elif isinstance(job, RigCheckOrder):
        from rig.bench.rig_check import RigCheck

        RigCheck(job, backend, console, keeper).run()
    else:
        fed_job(job, backend, keeper, console, premises).run(claim)


def load_jobs() -> None:
    """Import what any job on a unit needs, at a time when that holds nobody up."""
    import rig.bench.by_hand
    import rig.bench.isolation
    import rig.bench.session
    import rig.studies.golden  # noqa: F401


def fed_job(
    order: RunOrder,
    backend: Backend,
    keeper: Keeper,
    console: Console,
    premises: Premises | None = None,
) -> FedJob:
    """Return the session that carries ``order`` out on a unit."""
    if isinstance(order, ByHandOrder):
        from rig.bench.by_hand import ByHandSession

        return ByHandSession(order, backend, keeper, console, premises)
    if isinstance(order, IsolationOrder):
        from rig.bench.isolation import Isolation

        return Isolation(order, backend, keeper, console, premises=premises)
    from rig.bench.session import Session

    return Session(order, backend, keeper, console, premises)
