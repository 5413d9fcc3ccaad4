"""The desks of one console: one for each station of the rig, one of them chosen.  No widget."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from drivers import BackendOptions
from rig.bench.order import Job, RigCheckOrder, RunOrder
from rig.console.desk import Desk

# The unit that is worked by hand without one of its own number.
NO_SERIAL = "by hand"


class Desks:
    """The desks of a rig, in the order of its stations; keys go to the one that is `chosen`.

    ``one_at_a_time`` tells why no two stations of this rig can be at work at once, if it is so.
    """

    def __init__(
        self, desks: Sequence[Desk], chosen: str | None = None, one_at_a_time: str = ""
    ) -> None:
        self._all = tuple(desks)
        self._one_at_a_time = one_at_a_time
        self._world: BackendOptions | None = None  # as it was chosen when it began
        self.chosen = self._all[0]
        if chosen is not None:
            self.chosen = self.of(chosen) or self.chosen

    def __iter__(self) -> Iterator[Desk]:
        return iter(self._all)

    def __len__(self) -> int:
        return len(self._all)

    @property
    def several(self) -> bool:
        """Tell whether there is more than one station: else none needs to be named."""
        return len(self._all) > 1

    @property
    def others(self) -> list[Desk]:
        """The desks that are not chosen."""
        return [desk for desk in self._all if desk is not self.chosen]

    @property
    def at_work(self) -> list[Desk]:
        """The desks whose job is on."""
        return [desk for desk in self._all if desk.live.on]

    def of(self, station: str) -> Desk | None:
        """Return the desk of ``station``, None if there is none."""
        return next((desk for desk in self._all if desk.choices.station == station), None)

    def after(self, steps: int = 1) -> Desk:
        """Return the desk ``steps`` after the chosen one, round and round."""
        return self._all[(self._all.index(self.chosen) + steps) % len(self._all)]

    def choose(self, desk: Desk) -> None:
        """Have ``desk`` chosen; whoever is at the console is thought to be the same person."""
        if not desk.choices.operator:
            desk.choices.operator = self.chosen.choices.operator
        self.chosen = desk

    def why_not(self, job: Job) -> str:
        """Return what at other stations keeps ``job`` from beginning now, and what to do; or ""."""
        others = [desk for desk in self.at_work if desk.choices.station != job.station.name]
        if not others:
            return ""
        at = station_names(others)
        if isinstance(job, RigCheckOrder) or (isinstance(job, RunOrder) and job.detached):
            what = "A rig check" if isinstance(job, RigCheckOrder) else "A run that goes on apart"
            return f"{what} needs the rig to itself: let the work at {at} end first."
        whole = [desk for desk in others if desk.live.rig_check or desk.goes_on]
        if whole:
            at = station_names(whole)
            return f"What is on at {at} has the rig to itself: let it end first."
        if self._one_at_a_time:
            return f"Let the work at {at} end first. {self._one_at_a_time}"
        # One unit is on one jig: the number was scanned for the wrong station.
        twin = next((desk for desk in others if serial_of(desk) == job.unit_serial), None)
        if twin is not None and job.unit_serial != NO_SERIAL:
            return (
                f"{job.unit_serial} is at work at {station_names([twin])}. Which unit is on "
                f"station {job.station.name}? Scan that one."
            )
        return ""

    def world_options(self) -> BackendOptions:
        """Return the options of a world in which all stations are: with the faults of each."""
        faults = [fault for desk in self._all for fault in desk.choices.faults]
        options = self.chosen.options()
        if not self.chosen.has_world:
            return options
        return replace(options, faults=tuple(dict.fromkeys(faults)))

    def world_is_another(self) -> bool:
        """Take note that a job was begun; tell whether the simulated world that it came into, in
        which others are at work, began otherwise than it would by what is chosen now.
        """
        wanted = self.world_options()
        if len(self.at_work) == 1:
            self._world = wanted
        return self.chosen.has_world and wanted != self._world

    def feeds_off(self, why: str) -> list[Desk]:
        """Take the feeds of every station off; return the desks whose job ends by it."""
        return [desk for desk in self._all if desk.feeds_off(why)]

    def close(self) -> bool:
        """End the jobs that do not go on by themselves, feeds off, and wait for the benches.

        False if a bench hung and had to be killed: what its feeds are is not known then.
        """
        for desk in self._all:
            if not desk.goes_on:
                desk.feeds_off("the console was closed")  # all at once, before any is waited for
        ended = [desk.close() for desk in self._all]
        return all(ended)


def station_names(desks: Sequence[Desk]) -> str:
    """Return the stations of ``desks`` in words: ``station A``, ``stations A, B and C``."""
    names = [desk.choices.station for desk in desks]
    if len(names) == 1:
        return f"station {names[0]}"
    return f"stations {', '.join(names[:-1])} and {names[-1]}"


def serial_of(desk: Desk) -> str:
    """Return the unit at a station: of its job, on or over; empty without one."""
    job = desk.live.job
    return job.unit_serial if isinstance(job, RunOrder) else ""
