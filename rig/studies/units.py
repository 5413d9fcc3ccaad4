"""Which recorded runs a study of units rests on: one run a unit, of one world, by one plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from uuid import UUID

from rig.analysis.model import Outcome, Verdict
from rig.analysis.wording import named, outcome_words
from rig.plans import Plan, PlanError, plan_from_text
from rig.records.golden_said import GoldenStanding, golden_standing
from rig.records.held import counted, is_judged
from rig.records.model import RunRecord, RunState, RunSummary

Read = Callable[[UUID], RunRecord]
"""Reads a run, without its traces."""

CONCLUSIVE = frozenset({Verdict.PASS, Verdict.FAIL})

_MOST_NAMED = 5

_PARKED = (Outcome.PARKED, Outcome.SLOW)


@dataclass(frozen=True)
class LeftOut:
    """A unit that does not count, and why: the rest of a sentence about it."""

    serial: str
    why: str


@dataclass(frozen=True)
class Chosen:
    """The runs that count, one a unit, in the order of their dates.

    ``remarks`` are sentences on what a reader has to know of them.
    """

    plan: Plan
    records: tuple[RunRecord, ...]
    left_out: tuple[LeftOut, ...]
    remarks: tuple[str, ...]
    simulated: bool

    @property
    def dates(self) -> str:
        """The first and the last day of the runs, in local time; "" without runs."""
        days = [f"{run.start.started_at.astimezone():%Y-%m-%d}" for run in self.records]
        return "" if not days else " to ".join(dict.fromkeys((days[0], days[-1])))


def choose(
    runs: Sequence[RunSummary],
    read: Read,
    plan: Plan,
    *,
    wanted: frozenset[Verdict],
    without: Sequence[str] = (),
    first: bool = False,
    whole: bool = False,
    aside: Mapping[UUID, str] = MappingProxyType({}),
) -> Chosen:
    """Return the runs of ``plan`` that count among ``runs``, which are newest first.

    Of each unit its newest run with a verdict counts (``first``: its first one); a unit whose
    verdict there is not ``wanted`` is left out, and with ``whole`` one that did not park in some
    half-turn.  A pass or a fail is a verdict, a retest only if it is wanted.  Runs on real units
    count where there are any: the two worlds are never mixed.  ``aside`` says of runs that were set
    aside why: none of these counts.
    """
    told = wanted | CONCLUSIVE
    counting = [run for run in runs if run.run_id not in aside]
    judged = [run for run in counting if run.isolation is None and run.verdict is not None]
    finished = [run for run in judged if run.state is RunState.FINISHED]
    real = [run for run in finished if not run.simulated]
    world = real or finished
    of_unit: dict[str, list[RunSummary]] = {}
    for run in world:
        of_unit.setdefault(run.unit_serial, []).append(run)
    records, left_out = [], []
    for serial, its_runs in of_unit.items():
        if serial in without:
            left_out.append(LeftOut(serial, "as asked"))
            continue
        found = _of_unit(its_runs[::-1] if first else its_runs, read, plan, told)
        if isinstance(found, str):
            left_out.append(LeftOut(serial, found))
        elif _verdict(found) not in wanted:
            which = "first" if first else "newest"
            why = f"its {which} run with a verdict is a {_verdict(found)}"
            left_out.append(LeftOut(serial, f"{why} ({str(found.run_id)[:8]})"))
        elif whole and (why := did_not_park(found)):
            left_out.append(LeftOut(serial, why))
        else:
            records.append(found)
    records.sort(key=lambda run: (run.start.started_at, run.run_id))
    remarks = [
        *_set_aside([run for run in runs if run.run_id in aside], aside),
        *_not_used(counting, finished, world),
        *_of_rigs(records),
    ]
    return Chosen(plan, tuple(records), tuple(left_out), tuple(remarks), not real and bool(world))


def choose_of(
    records: Sequence[RunRecord],
    plan: Plan,
    *,
    wanted: frozenset[Verdict] = CONCLUSIVE,
) -> Chosen:
    """Return the runs of ``plan`` that count among whole records, whatever their order."""
    by_id = {run.run_id: run for run in records if run.start.plan_name == plan.name}
    lines = [
        RunSummary(
            run.run_id,
            run.start.started_at,
            run.start.unit_serial,
            run.start.plan_name,
            run.state,
            None if run.end is None or run.end.judgement is None else _verdict(run),
            run.start.operator,
            run.start.reference,
            run.start.simulated,
            run.isolation,
        )
        for run in by_id.values()
    ]
    lines.sort(key=lambda line: line.started_at, reverse=True)
    return choose(lines, by_id.__getitem__, plan, wanted=wanted)


def did_not_park(record: RunRecord) -> str:
    """Return which judged half-turn of a run was no whole one, in words; "" if all were."""
    for step in counted(record.steps):
        for turn in step.half_turns if is_judged(step) else ():
            if turn.outcome not in _PARKED or turn.half_turn_s is None:
                return f"{named(turn)[0].lower()}{named(turn)[1:]}: {outcome_words(turn.outcome)}"
    return ""


def _of_unit(
    runs: Sequence[RunSummary], read: Read, plan: Plan, told: frozenset[Verdict]
) -> RunRecord | str:
    """Return the run that counts, or why there is none."""
    why = "it has no run that came to a verdict, only retests"
    for run in runs:
        if run.verdict not in told:
            continue
        record = read(run.run_id)
        why = _unfit(record, plan)
        if not why:
            return record
    return why


def _unfit(record: RunRecord, plan: Plan) -> str:
    """Return why a run cannot stand beside others of this plan; "" if it can."""
    as_run = _plan_as_run(record.start.plan_text, record.start.plan_name)
    if as_run is None:
        return "this program cannot read the plan it was run by"
    if as_run.unit.type != plan.unit.type:
        return f"it was run as another unit type, {as_run.unit.type}"
    if as_run.unit.nominal_v != plan.unit.nominal_v:
        return f"it was run as a unit for {as_run.unit.nominal_v:g} V"
    if as_run.steps != plan.steps:
        return "the plan had other steps when it was run"
    return ""


@lru_cache(maxsize=32)
def _plan_as_run(text: str, name: str) -> Plan | None:
    try:
        return plan_from_text(text, Path(f"{name}.toml"))
    except PlanError:  # an older program's plan
        return None


def _verdict(record: RunRecord) -> Verdict:
    assert record.end is not None
    assert record.end.judgement is not None
    return record.end.judgement.verdict


def _set_aside(runs: Sequence[RunSummary], aside: Mapping[UUID, str]) -> Iterator[str]:
    if runs:
        told = [f"{run.unit_serial} ({aside[run.run_id]})" for run in runs]
        yield f"{_runs(len(runs))} set aside left out: {_some(told)}."


def _not_used(
    runs: Sequence[RunSummary], finished: Sequence[RunSummary], world: Sequence[RunSummary]
) -> Iterator[str]:
    if len(world) < len(finished):
        count = len(finished) - len(world)
        yield f"{_runs(count)} on simulated units left out: the two worlds are never mixed."
    if len(finished) < len(runs):
        known = {run.run_id for run in finished}
        out = [run.unit_serial for run in runs if run.run_id not in known]
        yield f"{_runs(len(out))} without a verdict left out: {_some(list(dict.fromkeys(out)))}."


def _of_rigs(records: Sequence[RunRecord]) -> Iterator[str]:
    places = dict.fromkeys((run.start.rig_name, run.start.station) for run in records)
    if len(places) > 1:
        where = ", ".join(f"{rig} {station}" for rig, station in places)
        count = len(places)
        yield f"They come from {count} stations, whose differences are in the spread: {where}."
    standings = Counter(golden_standing(run.start.golden) for run in records)
    for standing, words in (
        (GoldenStanding.OUT, "while the rig was out of control by its golden unit"),
        (GoldenStanding.DUE, "while a golden check was due"),
    ):
        if standings[standing]:
            yield f"{_runs(standings[standing])} of these made {words}: look at the rig first."


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return ", ".join(names[:_MOST_NAMED]) + more


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"
