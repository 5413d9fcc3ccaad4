"""What a run is asked to do: plan, station, unit, operator, backend options."""

from __future__ import annotations

from dataclasses import dataclass, field

from drivers import BackendOptions, RigWiring
from rig.plans import Plan
from rig.records.model import Source
from rig.settings import RigSettings, StationSettings


@dataclass(frozen=True)
class RunOrder:
    """Everything needed to run one plan on one unit.  Picklable.

    ``backend`` overrides the rig file's (None: as in the rig file).  ``consent`` tells that the
    operator accepted the cautions of this run beforehand.  ``detached`` lets the run go on when
    its console goes away.
    """

    settings: RigSettings
    station: StationSettings
    plan: Plan
    unit_serial: str
    operator: str = ""
    source: Source = Source.OWN_REBUILD
    reference: str = ""
    backend: str | None = None
    options: BackendOptions = field(default_factory=BackendOptions)
    consent: bool = False
    detached: bool = False

    @property
    def backend_name(self) -> str:
        """The backend that will be used."""
        return self.backend or self.settings.backend

    def wiring(self) -> RigWiring:
        """Return the rig's wiring, its sensors ranged for this plan."""
        return self.settings.wiring(self.plan.largest_a, self.station.name)
