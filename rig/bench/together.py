"""Runs on several stations of one rig, side by side in this process and thread."""

from __future__ import annotations

from functools import partial
from types import TracebackType

from drivers import Backend, DriverError, RigWiring
from rig.bench.errors import BenchError
from rig.bench.events import Refused, RunEnded
from rig.bench.hub import Hub
from rig.bench.jobs import fed_job
from rig.bench.order import RunOrder
from rig.bench.seams import Console, Keeper
from rig.bench.shared_rig import SharedRig
from rig.records.errors import RecordsError

End = RunEnded | Refused


class Together:
    """The jobs of ``stations`` on one backend whose time is its own; a context manager.

    ``ends`` has how each ended, by station.  What keeps one from being done ends no other.
    """

    def __init__(self, backend: Backend, wiring: RigWiring, stations: tuple[str, ...]) -> None:
        self.hub = Hub(backend.clock)
        self.rig = SharedRig(backend, wiring, self.hub, stations, real_time=False)
        self.ends: dict[str, End] = {}

    def begin(self, order: RunOrder, keeper: Keeper, console: Console) -> None:
        """Have an order carried out on its station, from the next `run` or, while one is on, now.

        On a simulated jig the unit is the one of the order's serial number.
        """
        self.hub.begin(partial(self._do, order, keeper, console))

    def _do(self, order: RunOrder, keeper: Keeper, console: Console) -> None:
        name, rig = order.station.name, self.rig
        rig.fit_unit(name, order.unit_serial)
        job = fed_job(order, rig.backend_of(name), keeper, console, rig.berth(name))
        try:
            self.ends[name] = job.run()
        except RecordsError as error:
            self.ends[name] = Refused(str(error), status=6)
        except (BenchError, DriverError) as error:
            # Whoever asks at a terminal says by a status of its own that nobody answered.
            self.ends[name] = Refused(str(error), getattr(error, "status", 5))

    def run(self) -> None:
        """Go on until every order is carried out.  Raises what a fault of the program raised."""
        self.hub.run()

    def __enter__(self) -> Together:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.rig.close()
