"""What is looked at, from a record of a run or from a trace file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import islice
from pathlib import Path
from typing import Protocol
from uuid import UUID

from rig.analysis.fuse import SERIES
from rig.analysis.half_turns import find_half_turns
from rig.analysis.model import Accuracy, Verdict
from rig.analysis.trace import Trace
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.model import Diagnosis
from rig.diagnosis.seen import PLAIN_KINDS, STARTER_CIRCUIT, UNHOOKED, RunSeen, StepSeen
from rig.feed_circuit import feed_circuit
from rig.labels import shown
from rig.plans import Plan, PlanError, plan_from_text
from rig.quality.calibration import Standing
from rig.quality.uncertainty import accuracy_of, coil_accuracy_of
from rig.records.errors import RecordsError
from rig.records.model import RunRecord, RunSummary
from rig.schema import MistakesError
from rig.settings import RigSettings, StationSettings, settings_from_text

GOOD_MOST, EARLIER_MOST = 4, 4
"""So many good units and earlier runs are read (guess: a second or two on a small computer)."""
TRIED_MOST = 20
"""So many runs are tried for that: of another type, or without a trace, they do not serve."""

TraceOf = Callable[[UUID, int], Trace]


class NothingSeenError(Exception):
    """There is nothing to diagnose; the message says why and what to do."""


class OtherUnitError(NothingSeenError):
    """The run with the cable off is none of this unit with its cable off; the message says why."""


def seen_of_trace(
    trace: Trace,
    plan: Plan,
    name: str,
    rig: tuple[RigSettings, StationSettings] | None = None,
    ambient_c: float | None = None,
) -> RunSeen:
    """Return a trace from anywhere as a run of plain work; ``rig`` if it was taken on one known."""
    accuracy = Accuracy() if rig is None else accuracy_of(rig[1], plan)
    turns = find_half_turns(trace, plan.unit_type(), plan.analysis_limits(), accuracy)
    return _seen(plan, name, "", (StepSeen("half_turns", trace, turns),), rig, ambient_c)


def seen_of_record(record: RunRecord, trace_of: TraceOf, ambient_c: float | None = None) -> RunSeen:
    """Return a recorded run with the traces of its plain work and its jam tests.

    Raises NothingSeenError if its plan cannot be read any more, or if no such step has a trace.
    """
    start, name = record.start, name_of(record)
    try:
        plan = plan_from_text(start.plan_text, Path(f"{start.plan_name}.toml"))
    except PlanError:
        raise NothingSeenError(
            f"The plan of {name} cannot be read by this program any more. Export its trace "
            "(`halfturn records export`), and look at that with a plan of today."
        ) from None
    steps = tuple(_steps(record, trace_of))
    if not any(step.trace is not None for step in steps):
        raise NothingSeenError(
            f"{name[:1].upper()}{name[1:]} has no trace of half-turns at plain work, so there is "
            "nothing to work out. A step of half_turns or a park_check brings one."
        )
    return _seen(
        plan,
        name,
        start.unit_serial,
        steps,
        _rig(record),
        ambient_c,
        start.simulated,
        start.calibration,
    )


def name_of(record: RunRecord) -> str:
    """Return which run it is, in words."""
    start = record.start
    when = start.started_at.astimezone()
    return f"run {str(record.run_id)[:8]} of {start.unit_serial}, {when:%Y-%m-%d %H:%M}"


# A guided test is recorded under its name; these are at work that tells something here.
_GUIDED = {"turns": "half_turns", "unhooked": UNHOOKED, "jam": "jam"}


def _steps(record: RunRecord, trace_of: TraceOf) -> Iterable[StepSeen]:
    for step in record.steps:
        trace = None
        kind = step.kind
        if kind == "guided":
            kind = _GUIDED.get(str(step.answers.get("test")), kind)
        if step.half_turns and kind in (*PLAIN_KINDS, UNHOOKED, "jam"):
            try:
                trace = trace_of(record.run_id, step.number)
            except RecordsError:  # lost or damaged: the other steps still tell
                trace = None
        yield StepSeen(kind, trace, step.half_turns, step.measures)


def _rig(record: RunRecord) -> tuple[RigSettings, StationSettings] | None:
    try:
        settings = settings_from_text(record.start.rig_text, Path("rig.toml"))
        return settings, settings.station(record.start.station)
    except (MistakesError, KeyError, ValueError):
        return None  # an older program's rig file: common figures serve


def _seen(
    plan: Plan,
    name: str,
    serial: str,
    steps: tuple[StepSeen, ...],
    rig: tuple[RigSettings, StationSettings] | None,
    ambient_c: float | None,
    simulated: bool = False,
    standing: Standing | None = None,
) -> RunSeen:
    station = None if rig is None else rig[1]
    return RunSeen(
        name=name,
        serial=serial,
        unit=plan.unit_type(),
        limits=plan.analysis_limits(),
        max_c=plan.unit.winding_max_c,
        steps=steps,
        accuracy=Accuracy() if station is None else accuracy_of(station, plan, standing),
        coil_accuracy=None if station is None else coil_accuracy_of(station),
        voltage_every=10 if station is None else station.battery_sensor.bus_every,
        circuit=STARTER_CIRCUIT if rig is None else feed_circuit(*rig),
        circuit_known=rig is not None,
        fuse_series=SERIES["blade" if station is None else station.fuse_series],
        ambient_c=ambient_c,
        simulated=simulated,
    )


def _unhooked(hooked: RunRecord, bare: RunRecord, trace_of: TraceOf) -> RunSeen:
    """Return the run that was made with the cable off; another unit's tells nothing of a bind."""
    if hooked.run_id == bare.run_id:
        raise OtherUnitError(
            "The run with the cable off is this run itself. Name another one of the same unit."
        )
    units = [(run.start.unit_serial, run.start.unit_type) for run in (hooked, bare)]
    if units[0] != units[1]:
        this, other = (f"{shown(serial)} ({kind})" for serial, kind in units)
        raise OtherUnitError(
            f"The run with the cable off is of another unit, {other}; this one is {this}. Name a "
            "run of the same unit, its cable off."
        )
    return seen_of_record(bare, trace_of)


# --- what a recorded run is held against ---------------------------------------------------------


def good_runs(run: RunRecord, runs: Iterable[RunSummary]) -> list[UUID]:
    """Return runs that passed, one of each unit: by the same plan before others, its own last.

    ``runs`` newest first.  Simulated units are held against simulated ones only.
    """
    found: dict[str, RunSummary] = {}
    for one in runs:
        passed = one.verdict == Verdict.PASS and one.run_id != run.run_id
        if passed and one.simulated == run.start.simulated:
            found.setdefault(one.unit_serial, one)
    first = sorted(
        found.values(),
        key=lambda one: (
            one.unit_serial == run.start.unit_serial,
            one.plan_name != run.start.plan_name,
        ),
    )
    return [one.run_id for one in first]


def earlier_runs(run: RunRecord, runs: Iterable[RunSummary]) -> list[UUID]:
    """Return the newest runs of the same unit before this one, ``runs`` newest first."""
    return [
        one.run_id
        for one in runs
        if one.unit_serial == run.start.unit_serial
        and one.run_id != run.run_id
        and one.started_at < run.start.started_at
        and one.simulated == run.start.simulated
    ]


LOOKED_THROUGH = 1000
"""So many of the newest runs are looked through for good units and earlier runs."""


class Stored(Protocol):
    """What is asked of a store of runs."""

    def run(self, run: UUID | str) -> RunRecord:
        """Return a run."""
        ...

    def runs(self, *, limit: int | None) -> list[RunSummary]:
        """Return the newest runs, newest first."""
        ...

    def trace(self, run: UUID | str, step: int | None = None) -> Trace:
        """Return the trace of a step."""
        ...


def diagnose_stored(
    store: Stored,
    record: RunRecord,
    good: Sequence[UUID] = (),
    unhooked: UUID | None = None,
    ambient_c: float | None = None,
) -> Diagnosis:
    """Return the diagnosis of a recorded run.

    It is held against ``good`` runs, else those that `good_runs` finds, and against the unit's
    earlier ones.  Raises NothingSeenError if it has nothing to look at, or the unhooked run has
    not, and OtherUnitError if that is of another unit; others are left out if they have not.
    """
    runs = store.runs(limit=LOOKED_THROUGH)
    own = seen_of_record(record, store.trace, ambient_c)
    bare = None if unhooked is None else _unhooked(record, store.run(unhooked), store.trace)

    def seen(ids: Iterable[UUID], most: int) -> list[RunSeen]:
        found: list[RunSeen] = []
        for run_id in islice(ids, TRIED_MOST):
            if len(found) == most:
                break
            try:
                one = store.run(run_id)
                if one.start.unit_type == record.start.unit_type:
                    found.append(seen_of_record(one, store.trace))
            except (NothingSeenError, RecordsError):
                continue
        return found

    goods = seen(good, len(good)) if good else seen(good_runs(record, runs), GOOD_MOST)
    return diagnose(own, goods, seen(earlier_runs(record, runs), EARLIER_MOST), bare)
