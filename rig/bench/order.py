"""What a bench is asked to do: run a plan, isolate a fault, be worked by hand, check itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import UUID

from drivers import BackendOptions, RigWiring
from rig.plans import Plan
from rig.quality.calibration import Reference
from rig.records.model import Source
from rig.settings import RigSettings, StationSettings


@dataclass(frozen=True)
class RunOrder:
    """Everything needed to run one plan on one unit.  Picklable.

    ``backend`` overrides the rig file's (None: as in the rig file).  ``consent`` tells that the
    operator accepted the cautions of this run beforehand.  ``detached`` lets the run go on when
    its console goes away.  ``ask_operator`` has somebody at the console answer what the simulated
    jig would answer by itself.  ``gauge_trial`` is the trial of a gauge study it is made for,
    ``lot_item`` the item of a lot's sample.
    """

    settings: RigSettings
    station: StationSettings
    plan: Plan
    unit_serial: str
    operator: str = ""
    source: Source = Source.NOT_TOLD
    reference: str = ""
    backend: str | None = None
    options: BackendOptions = field(default_factory=BackendOptions)
    consent: bool = False
    detached: bool = False
    ask_operator: bool = False
    gauge_trial: UUID | None = None
    lot_item: UUID | None = None

    @property
    def backend_name(self) -> str:
        """The backend that will be used."""
        return self.backend or self.settings.backend

    def wiring(self) -> RigWiring:
        """Return the rig's wiring, its sensors ranged for this plan."""
        return self.settings.wiring(self.plan.largest_a, self.station.name)


@dataclass(frozen=True)
class ByHandOrder(RunOrder):
    """The feeds by held keys, guarded and recorded; the plan lends unit type, limits and guard."""


@dataclass(frozen=True)
class IsolationOrder(RunOrder):
    """Guided tests on a suspect unit; the plan lends unit type, limits, guard and `[isolation]`."""


@dataclass(frozen=True)
class RigCheckOrder:
    """A look at one station of the rig itself: readings, zero offset, and with ``full`` the
    self-check (each relay clicked with no unit fitted, each switch pressed when asked).

    With ``unfed`` the self-check is only what makes no feed and needs no hand: outputs, sensors
    down to their identity, and with leave the dead-man.  ``backend`` and ``options`` as in
    `RunOrder`.  Picklable.
    """

    settings: RigSettings
    station: StationSettings
    backend: str | None = None
    options: BackendOptions = field(default_factory=BackendOptions)
    full: bool = False
    unfed: bool = False

    @property
    def backend_name(self) -> str:
        """The backend that will be used."""
        return self.backend or self.settings.backend

    def wiring(self) -> RigWiring:
        """Return the rig's wiring, its sensors at the range the rig file or a usual stall needs."""
        return self.settings.wiring(CHECK_MAX_A, self.station.name)


# Without a plan: what the shipped plans measure, A (guess; an LM-12 stalls with 31 A at 16 V).
CHECK_MAX_A = 33.0


@dataclass(frozen=True)
class CalibrationOrder(RigCheckOrder):
    """A guided calibration of one station's current, and of its voltage if there is a voltmeter.

    ``current_reference`` is a meter in series with a load, or a resistor in the unit's place, with
    ``voltmeter`` across it.  ``load_ohm`` (about) and ``load_w`` (rated) are the load's or the
    resistor's.  ``max_a`` is the largest current that the rig's plans measure, A: the sensor is
    calibrated in the range they use.  ``consent`` and ``ask_operator`` as in `RunOrder`.
    """

    current_reference: Reference | None = None
    voltmeter: Reference | None = None
    load_ohm: float = 0.0
    load_w: float = 0.0
    operator: str = ""
    note: str = ""
    max_a: float = CHECK_MAX_A
    consent: bool = False
    ask_operator: bool = False

    def wiring(self) -> RigWiring:
        """Return the rig's wiring, its sensors at the range that the rig's plans need."""
        return self.settings.wiring(self.max_a, self.station.name)


Job = RunOrder | ByHandOrder | IsolationOrder | RigCheckOrder
JOBS = (RunOrder, RigCheckOrder)
