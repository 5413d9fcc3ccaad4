"""The console's desk: what the operator has chosen, the bench it commands, what is known of it.

No widget here.  The desk keeps one bench process ready, so that a job begins at once; a bench
does one job and ends, and the next is started then.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from drivers import BackendOptions
from rig.bench.commands import Answer, Command, GoOn, Hold, Pause, RepeatStep, Stop
from rig.bench.errors import BenchError, OccupiedError
from rig.bench.events import BenchEvent, Ready, Refused, RunBegan
from rig.bench.handle import BenchHandle
from rig.bench.order import Job, RigCheckOrder, RunOrder
from rig.console.left import Left
from rig.console.live_job import Live, Phase
from rig.console.records_reader import RecordsReader
from rig.console.tail import Tail
from rig.plans import Plan, list_plans, load_plan
from rig.quality.calibration import Standing
from rig.records.calibrations import RigCheckRecord
from rig.records.model import Source
from rig.settings import RigSettings, StationSettings

# Samples come every 5 ms at the slowest; a picture older than this is not live (s).
STALE_S = 0.3
# A bench that was told to stop confirms within hundredths of a second; after this it is told (s).
STOP_CONFIRM_S = 1.5
WARM_AGAIN_S = 2.0


@dataclass
class Choices:
    """What is filled in on the bench screen; it stays from one unit to the next."""

    station: str
    plan: str = ""
    serial: str = ""
    source: Source = Source.NOT_TOLD
    reference: str = ""
    operator: str = ""
    seed: int = 1
    faults: tuple[str, ...] = ()
    extra: dict[str, str] = field(default_factory=dict)


class Desk:
    """One station of a rig as worked from this console (`Desks` has those of all stations).

    ``station`` names it (None: the rig's first).  ``open_bench`` starts a bench, idle, or returns
    the one that is at work by itself; ``open_apart`` starts one that goes on without this console
    (it takes seconds: call it in a thread).  ``others`` tells whether a bench that goes on by
    itself seems to be there, and ``stop_other`` ends its job whoever commands it (in a thread,
    too).  Where the bench is shared with other stations ``open_alone`` starts one for a job that
    needs the rig to itself, and ``outdated`` tells that the shared one is to be opened anew before
    the next job.  ``now_s`` is a monotonic clock (s) for staleness only: everything shown of a
    job is on the bench's own clock.
    """

    def __init__(
        self,
        settings: RigSettings,
        records: Path,
        open_bench: Callable[[], BenchHandle],
        *,
        backend: str | None = None,
        station: str | None = None,
        open_apart: Callable[[], BenchHandle] | None = None,
        others: Callable[[], bool] = lambda: False,
        stop_other: Callable[[], str] = lambda: "",
        open_alone: Callable[[], BenchHandle] | None = None,
        outdated: Callable[[], bool] = lambda: False,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.settings = settings
        self.records = records
        self.reading = RecordsReader(records)
        self.backend = backend
        self.choices = Choices(settings.station(station).name)
        self.live = Live()
        self.tail = Tail()
        self.bench: BenchHandle | None = None
        self.bench_error = ""
        self.open_apart = open_apart
        self.stop_other = stop_other
        self.elsewhere = 0  # the process that commands the bench of this rig, if another does
        self._others = others
        self._open_bench = open_bench
        self._open_alone = open_alone
        self._outdated = outdated
        self._now_s = now_s
        self._ready = False
        self._begun = False
        self._told_simulated: bool | None = None
        self.left = Left()
        # The job whose end the operator has been shown, at this station.
        self.looked_at: Live | None = None
        # What the records hold of the rig itself, as read last (`rig.console.rig_kept`).
        self.calibration: Standing | None = None
        self.last_check: RigCheckRecord | None = None
        # A job, and what was said to it, while the bench of the last one puts its things away.
        self._waiting: Job | None = None
        self._said: list[Command] = []
        self._fresh_s = float("-inf")
        self._stop_told_s: float | None = None
        self._warm_again_s = self._look_again_s = float("-inf")

    # --- the rig -------------------------------------------------------------------------------

    @property
    def backend_name(self) -> str:
        """The backend in use."""
        return self.backend or self.settings.backend

    @property
    def has_world(self) -> bool:
        """Tell whether the bench is the built-in simulated one, whose world can be meddled with."""
        return self.backend_name == "simulated"

    @property
    def simulated(self) -> bool:
        """Tell whether the bench is simulated, by its own word as soon as it has said one."""
        return self.has_world if self._told_simulated is None else self._told_simulated

    @property
    def station(self) -> StationSettings:
        """The station chosen."""
        return self.settings.station(self.choices.station)

    def plans(self) -> dict[str, Path]:
        """Return the plans there are, by name."""
        return list_plans((self.settings.plans, Path("test_plans"), Path()))

    def plan(self, name: str) -> Plan:
        """Return a plan by name; PlanError with every mistake if it cannot be used."""
        return load_plan(self.plans()[name])

    def options(self) -> BackendOptions:
        """Return the backend options chosen; a console needs a bench that runs in real time."""
        choices = self.choices
        if not self.has_world:
            return BackendOptions(real_time=True)
        return BackendOptions(
            seed=choices.seed, faults=choices.faults, real_time=True, extra=dict(choices.extra)
        )

    # --- the bench -----------------------------------------------------------------------------

    def warm_up(self, job: Job | None = None) -> None:
        """Have a bench ready for the next job, which is ``job`` if it is known.

        What keeps it from starting is in `bench_error`.
        """
        if self.bench is not None:
            return
        self._ready = self._begun = False
        alone = self._open_alone if self._wants_alone(job) else None
        try:
            self.bench = (alone or self._open_bench)()
            self.bench_error = ""
            self.elsewhere = 0
        except OccupiedError as error:
            self.bench_error, self.elsewhere = str(error), error.pid
        except BenchError as error:
            self.bench_error = str(error)
        except OSError as error:
            self.bench_error = (
                f"The bench process cannot be started: {error}. Close other programs, then press "
                "the key of the job again."
            )
        if self.bench is not None and self.bench.job is not None:
            self._come_back_to(self.bench.job)

    def _come_back_to(self, job: Job) -> None:
        """Take up a job that was at work when the console was opened."""
        self._take_up(job)
        self._begun = True
        choices = self.choices
        if isinstance(job, RunOrder) and job.station.name == choices.station:
            choices.plan, choices.serial = job.plan.name, job.unit_serial
            choices.source, choices.reference = job.source, job.reference
            choices.operator = job.operator

    def keep_warm(self) -> None:
        """Start the next bench, but not again and again if it cannot live."""
        if self._now_s() >= self._warm_again_s:
            self._warm_again_s = self._now_s() + WARM_AGAIN_S
            self.warm_up()

    def look_for_others(self) -> None:
        """While idle: give up our own bench for one that somebody started to go on by itself."""
        bench = self.bench
        if bench is None or self._begun or bench.outlives or self._now_s() < self._look_again_s:
            return
        self._look_again_s = self._now_s() + WARM_AGAIN_S
        if self._others():
            self._let_go()
            self.warm_up()

    @property
    def ready(self) -> bool:
        """Tell whether a bench is up and waits for a job."""
        return self.bench is not None and self._ready and not self._begun

    def begin(self, job: Job) -> bool:
        """Hand a job to the bench; False, with `bench_error` set, if there is none to take it."""
        if self.live.on:
            self.bench_error = "A job is on already. Stop it first."
            return False
        bench = self.bench
        idle = bench is not None and not self._begun
        if bench is not None and (
            not bench.alive or (idle and (self._wants_alone(job) or self._outdated()))
        ):
            self._let_go()
        self.warm_up(job)
        if self.bench is None:
            return False
        if self.live.on:
            self.bench_error = "The bench is at work already, by itself. Stop that first."
            return False
        self._take_up(job)
        if self._begun:
            self._waiting, self._said = job, []
        else:
            self._hand_over(self.bench, job)
        return True

    def _hand_over(self, bench: BenchHandle, job: Job) -> None:
        self._begun = True
        self.tail.skip(bench.ring)
        bench.begin(job)

    def _wants_alone(self, job: Job | None) -> bool:
        """Tell whether ``job`` needs the rig to itself, which the bench at hand does not have."""
        return self._open_alone is not None and isinstance(job, RigCheckOrder)

    def give_up(self, bench: BenchHandle) -> None:
        """Leave ``bench`` to another desk if it is this one's and idle."""
        if self.bench is bench and not self._begun:
            self.bench, self._ready = None, False

    def _take_up(self, job: Job) -> None:
        self.live = Live(job=job, phase=Phase.STARTING)
        self.tail.clear()
        self._fresh_s = self._now_s()
        self._stop_told_s = None

    def needs_apart(self, job: Job) -> bool:
        """Tell whether ``job`` wants a bench that can outlive the one at hand."""
        detached = isinstance(job, RunOrder) and job.detached
        return detached and not (self.bench is not None and self.bench.outlives)

    def begin_on(self, bench: BenchHandle, job: Job) -> bool:
        """Hand ``job`` to another bench, idle, in place of the one at hand."""
        if self.live.on:
            bench.close()
            self.bench_error = "A job is on already. Stop it first."
            return False
        self._let_go()
        self.bench = bench
        return self.begin(job)

    @property
    def goes_on(self) -> bool:
        """Tell whether the job that is on goes on when the console is left now."""
        return self.live.on and self.bench is not None and self.bench.goes_on

    def tell(self, command: Command) -> None:
        """Send a command to the bench and take note of what was wished."""
        live = self.live
        if isinstance(command, Pause):
            live.pause_wanted = True
        elif isinstance(command, GoOn):
            live.pause_wanted = False
        elif isinstance(command, RepeatStep):
            live.repeat_wanted = command.wanted
        elif isinstance(command, Answer):
            live.asked = None
        if self._waiting is not None:
            self._said.append(command)
        elif self.bench is not None and self._begun:
            self.bench.tell(command)

    def feeds_off(self, why: str) -> bool:
        """Take the feeds off and end the job; True if one was on."""
        if not self.live.on:
            return False
        if self._waiting is not None:
            # No bench has it yet, so nothing can be fed: it simply does not begin.
            self._waiting, self.live = None, Live(job=self._waiting)
            return True
        self.live.stop_wanted = True
        if self._stop_told_s is None:
            self._stop_told_s = self._now_s()
        self.tell(Hold(battery=False, ignition=False))
        self.tell(Stop(why))
        return True

    @property
    def stop_unconfirmed(self) -> bool:
        """Tell whether a stop was asked for and the bench has not said that it is done."""
        told_s = self._stop_told_s
        return self.live.on and told_s is not None and self._now_s() - told_s > STOP_CONFIRM_S

    def poll(self) -> list[BenchEvent]:
        """Take in what came since the last call; never blocks.  Called some 20 times a second."""
        bench = self.bench
        if bench is None:
            return []
        alive = bench.alive  # asked first: what it said before it went is then in the pipe
        if self._waiting is not None:
            # Of the job before: a bench of several stations is free with its last word.
            for _ in bench.events():
                pass
            return [] if bench.alive else self._begin_waiting(self._waiting)
        if self._begun and self.tail.take(bench.ring):
            self._fresh_s = self._now_s()
        events = list(bench.events())
        for event in events:
            self._ready = self._ready or isinstance(event, Ready)
            if isinstance(event, RunBegan):
                self._told_simulated = event.simulated
            self.live.take(event)
            self.left.take(event, self.live)
        if not alive:
            if self._begun and self.live.on:
                self.live.gone()
                self.left.gone(self.live)
            self._let_go()
        return events

    def _begin_waiting(self, job: Job) -> list[BenchEvent]:
        """Begin the job that waited for the last one's bench to go."""
        self._waiting = None
        self._let_go()
        self.warm_up(job)
        if self.bench is None:
            refused = Refused(self.bench_error)
            self.live.take(refused)
            return [refused]
        self._hand_over(self.bench, job)
        for command in self._said:
            self.bench.tell(command)
        return []

    def _let_go(self) -> bool:
        bench, self.bench = self.bench, None
        self._ready = self._begun = False
        return bench is None or bench.close()

    @property
    def fresh(self) -> bool:
        """Tell whether the newest sample is new enough to be shown as live."""
        return self.live.on and len(self.tail) > 0 and self._now_s() - self._fresh_s < STALE_S

    @property
    def age_s(self) -> float:
        """Return how old the newest sample is, s."""
        return self._now_s() - self._fresh_s

    def close(self) -> bool:
        """End the job, feeds off, unless it goes on by itself; wait for the bench.  Idempotent.

        False if the bench hung and had to be killed: what the feeds are is not known then.
        """
        self.reading.close()
        with suppress(OSError):
            return self._let_go()
        return True
