"""The benches behind one console: a process for each job, or one for the jobs of all stations."""

from __future__ import annotations

from pathlib import Path

from drivers import BackendOptions
from rig.bench.attached import AttachedBench, attach
from rig.bench.errors import BenchError
from rig.bench.handle import BenchHandle
from rig.bench.meeting_place import somebody_listens
from rig.bench.process import BenchClient
from rig.bench.stations import StationsBench
from rig.console.desks import Desks
from rig.crowding import why_crowded
from rig.settings import RigSettings

# A console that opens waits so long for a bench that is at work (s).
_ANSWER_S = 2.0


class Benches:
    """Opens a bench for a station's desk.

    A rig of one station has a process for each job.  With several, one process does the jobs of
    all, side by side; a bench that goes on by itself (detached, or a service) does one job at a
    time and has the rig to itself meanwhile.  ``backend`` overrides the rig file's.
    """

    def __init__(self, settings: RigSettings, records: Path, backend: str | None) -> None:
        self._settings = settings
        self._records = records
        self._backend = backend
        names = [station.name for station in settings.stations]
        self.one_at_a_time = why_crowded(settings, names) if len(names) > 1 else ""
        self._side_by_side = len(names) > 1 and not self.one_at_a_time
        self._shared: StationsBench | None = None
        self._options = BackendOptions()  # of the shared one
        self._attached: AttachedBench | None = None
        self.desks: Desks | None = None

    def open(self, station: str) -> BenchHandle:
        """Return a bench for ``station``'s next job, or the one at work; BenchError if none."""
        if len(self._settings.stations) == 1:
            return attach(self._records.parent, wait_s=_ANSWER_S) or self.alone()
        apart = self._apart(station)
        if apart is not None:
            return apart
        return self._share(station) if self._side_by_side else self.alone()

    def alone(self) -> BenchClient:
        """Start a bench that does one job and has the rig to itself meanwhile."""
        return BenchClient(None, self._records, quiet=True)

    def outdated(self) -> bool:
        """Tell whether the shared bench is idle and was started for another simulated world."""
        shared, desks = self._shared, self.desks
        if shared is None or desks is None or desks.at_work:
            return False
        return desks.world_options() != self._options

    def close(self) -> bool:
        """End the shared bench; False if it hung and had to be killed.  Idempotent."""
        shared, self._shared = self._shared, None
        return shared is None or shared.close()

    def _share(self, station: str) -> BenchHandle:
        if self._shared is None or not self._shared.alive or self.outdated():
            self.close()
            if self.desks is not None:
                self._options = self.desks.world_options()
            self._shared = StationsBench(
                self._settings,
                self._records,
                backend=self._backend,
                options=self._options,
                quiet=True,
            )
        return self._shared.station(station)

    def _apart(self, station: str) -> BenchHandle | None:
        """Return the bench that goes on by itself, if one is there, to the station it is for."""
        folder = self._records.parent
        if self._attached is None or not self._attached.alive:
            self._attached = None
            if somebody_listens(folder):
                self._attached = attach(folder, wait_s=_ANSWER_S)
        bench, desks = self._attached, self.desks
        if bench is None or desks is None:
            return None
        at = bench.job.station.name if bench.job is not None else desks.chosen.choices.station
        if at != station:
            raise BenchError(
                "A bench that goes on by itself has this rig, and does one job at a time: it is "
                f"station {at}'s now. Choose that one (^N), or end the bench with `halfturn off`."
            )
        for desk in desks:
            desk.give_up(bench)
        return bench
