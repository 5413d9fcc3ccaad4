"""Gather tested units and lots from records: a bench's own file, or the central ones alike."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, and_, exists, func, or_, select

from rig.analysis.model import Outcome, Verdict
from rig.overview.figures import Item, JudgedRun, Lot
from rig.plans import PlanError, plan_from_text
from rig.records.bundles import Bench, benches, own_bench, plain_tables
from rig.records.held import counted
from rig.records.history import PLAIN_STEPS
from rig.records.lot_model import LotEnd, Untestable
from rig.records.model import Held, RunState
from rig.records.problems import Progress
from rig.records.verify import quiet

_RUNS_AT_ONCE = 500
# Slow is by a plan's limit: left out, the slow bench would look quicker than it is.
_PARKED = (Outcome.PARKED.value, Outcome.SLOW.value)


@dataclass(frozen=True)
class Period:
    """``since <= when < until``, aware times; None: without an end."""

    since: datetime | None = None
    until: datetime | None = None

    def holds(self, column: ColumnElement[Any]) -> Iterator[ColumnElement[bool]]:
        """Return what narrows a search by a time that is kept in UTC."""
        if self.since is not None:
            yield column >= self.since.astimezone(UTC).replace(tzinfo=None)
        if self.until is not None:
            yield column < self.until.astimezone(UTC).replace(tzinfo=None)


def judged_runs(
    connection: Connection,
    period: Period,
    *,
    simulated: bool,
    measured: bool = False,
    progress: Progress = quiet,
) -> list[JudgedRun]:
    """Return the finished runs with a verdict of a period, in one world.

    The rig's own runs are left out (those of gauge studies, and checks by golden units), and what
    was set aside in a lot.  Only with ``measured`` do they say what they measured, and tell plans
    of one name apart whose values do not compare.
    """
    tables = plain_tables()
    runs, golden, gauge = tables["runs"], tables["golden_units"], tables["gauge_runs"]
    of_lots = tables["lot_runs"]
    of_golden = exists().where(
        golden.c.unit_id == runs.c.unit_id,
        golden.c.plan_name == runs.c.plan_name,
        golden.c.station == runs.c.station,
        golden.c.bench_id.is_not_distinct_from(runs.c.bench_id),
        golden.c.declared_at <= runs.c.started_at,
        or_(golden.c.withdrawn_at.is_(None), runs.c.started_at < golden.c.withdrawn_at),
    )
    wanted = and_(
        *_of_runs(simulated),
        *period.holds(runs.c.started_at),
        ~exists().where(gauge.c.run_id == runs.c.id),
        ~exists().where(of_lots.c.run_id == runs.c.id, of_lots.c.set_aside != ""),
        ~of_golden,
    )
    return list(_judged(connection, wanted, progress, measured=measured).values())


def lots(
    connection: Connection, period: Period, *, simulated: bool, progress: Progress = quiet
) -> list[Lot]:
    """Return the lots that were opened in a period, withdrawn ones left out."""
    tables = plain_tables()
    lot, item, link = tables["lots"], tables["lot_items"], tables["lot_runs"]
    runs = tables["runs"]
    of_lots = and_(
        lot.c.simulated == simulated,
        or_(lot.c.end.is_(None), lot.c.end != LotEnd.WITHDRAWN.value),
        *period.holds(lot.c.opened_at),
    )
    of_item = (
        select(item.c.id).join(lot, item.c.lot_id == lot.c.id).where(of_lots).scalar_subquery()
    )
    counts = and_(link.c.item_id.in_(of_item), link.c.set_aside == "")
    made = _judged(
        connection,
        and_(*_of_runs(simulated), runs.c.id.in_(select(link.c.run_id).where(counts))),
        progress,
    )
    by_item: dict[UUID, list[JudgedRun]] = defaultdict(list)
    order = select(link.c.item_id, link.c.run_id).where(counts).order_by(link.c.position)
    for item_id, run_id in connection.execute(order):
        if run_id in made:
            by_item[item_id].append(made[run_id])
    items: dict[UUID, list[Item]] = defaultdict(list)
    query = select(item.c.id, item.c.lot_id, item.c.untestable).where(item.c.id.in_(of_item))
    for item_id, lot_id, untestable in connection.execute(query.order_by(item.c.position)):
        if untestable != Untestable.REPLACED.value:
            counted_bad = untestable == Untestable.NONCONFORMING.value
            items[lot_id].append(Item(tuple(by_item[item_id]), counted_bad))
    found = connection.execute(select(lot.c.id, lot.c.supplier, lot.c.end).where(of_lots))
    return [
        Lot(supplier, None if end is None else end == LotEnd.ACCEPTED.value, tuple(items[key]))
        for key, supplier, end in found
    ]


def bench_names(connection: Connection) -> dict[UUID | None, str]:
    """Return how each bench is called; benches of one name are told apart by their ids."""
    known = benches(connection)
    own = own_bench(connection)
    names: dict[str, list[Bench]] = defaultdict(list)
    for bench in known.values():
        names[bench.name or "bench"].append(bench)
    called: dict[UUID | None, str] = {
        bench.id: name if len(some) == 1 and bench.name else f"{name} {str(bench.id)[:8]}"
        for name, some in names.items()
        for bench in some
    }
    return called | {None: own.name or "this bench"}


def _of_runs(simulated: bool) -> Iterator[ColumnElement[bool]]:
    runs = plain_tables()["runs"]
    yield runs.c.state == RunState.FINISHED.value
    yield runs.c.verdict.is_not(None)
    yield runs.c.simulated == simulated


def _judged(
    connection: Connection,
    wanted: ColumnElement[bool],
    progress: Progress,
    *,
    measured: bool = False,
) -> dict[UUID, JudgedRun]:
    tables = plain_tables()
    runs, units = tables["runs"], tables["units"]
    progress("reading runs", 0.0)
    query = (
        select(
            runs.c.id,
            runs.c.bench_id,
            runs.c.plan_name,
            runs.c.plan_sha256,
            runs.c.started_at,
            runs.c.verdict,
            units.c.serial,
            units.c.unit_type,
        )
        .join(units, runs.c.unit_id == units.c.id)
        .where(wanted)
        .order_by(runs.c.started_at, runs.c.id)
    )
    rows = connection.execute(query).all()
    names = bench_names(connection)
    plans = {(row.unit_type, row.plan_name, row.plan_sha256) for row in rows}
    called = plan_names(connection, plans) if measured else {}
    failed = [row.id for row in rows if row.verdict == Verdict.FAIL.value]
    reasons = _reasons(connection, failed, progress)
    values = _values(connection, [row.id for row in rows], progress) if measured else {}
    return {
        row.id: JudgedRun(
            unit=row.serial,
            unit_type=row.unit_type,
            plan=called.get((row.unit_type, row.plan_name, row.plan_sha256), row.plan_name),
            bench=names[row.bench_id],
            at=row.started_at.replace(tzinfo=UTC),
            verdict=row.verdict,
            reasons=tuple(reasons.get(row.id, ())),
            values=values.get(row.id, {}),
        )
        for row in rows
    }


_Plan = tuple[str, str, str]  # unit type, name, SHA-256 of its text


def plan_names(connection: Connection, plans: Collection[_Plan]) -> dict[_Plan, str]:
    """Return how each plan is called: its name; where that is not enough, with part of its SHA-256.

    Plans whose steps and unit data are the same are one, whatever their limits and remarks.
    """
    texts = plain_tables()["texts"]
    wanted = {sha256 for _, _, sha256 in plans}
    found = connection.execute(
        select(texts.c.sha256, texts.c.text).where(texts.c.sha256.in_(wanted))
    )
    done = {sha256: _work_of(text, sha256) for sha256, text in found}
    alike: dict[tuple[str, str], dict[str, list[_Plan]]] = defaultdict(lambda: defaultdict(list))
    for plan in sorted(plans):
        unit_type, name, sha256 = plan
        alike[unit_type, name][done.get(sha256, sha256)].append(plan)
    return {
        plan: name if len(works) == 1 else f"{name} ({some[0][2][:8]})"
        for (_, name), works in alike.items()
        for some in works.values()
        for plan in some
    }


def _work_of(text: str, sha256: str) -> str:
    """Return what of a plan its values depend on: unit data and steps."""
    try:
        plan = plan_from_text(text, Path("plan.toml"))
    except PlanError:  # an older program's
        return sha256
    return repr((plan.unit, plan.steps))


def _reasons(
    connection: Connection, failed: Sequence[UUID], progress: Progress
) -> dict[UUID, list[str]]:
    reasons = plain_tables()["reasons"]
    found: dict[UUID, list[str]] = defaultdict(list)
    for part in _parts(failed, "reading reasons", progress):
        query = (
            select(reasons.c.run_id, reasons.c.measure)
            .where(reasons.c.run_id.in_(part), reasons.c.verdict == Verdict.FAIL.value)
            .order_by(reasons.c.run_id, reasons.c.position)
        )
        for run_id, measure in connection.execute(query):
            if measure not in found[run_id]:
                found[run_id].append(measure)
    return found


def _parts(runs: Sequence[UUID], doing: str, progress: Progress) -> Iterator[Sequence[UUID]]:
    for first in range(0, len(runs), _RUNS_AT_ONCE):
        progress(doing, first / len(runs))
        yield runs[first : first + _RUNS_AT_ONCE]


def _values(
    connection: Connection, runs: Sequence[UUID], progress: Progress
) -> dict[UUID, dict[str, dict[str, float]]]:
    """Return the means of what half-turns that parked by themselves took and drew.

    By run, measure and place: those of plain work in steps that count, nothing else compares.
    """
    tables = plain_tables()
    steps, turns = tables["steps"], tables["half_turns"]
    found: dict[UUID, dict[str, dict[str, float]]] = defaultdict(lambda: defaultdict(dict))
    for part in _parts(runs, "reading half-turns", progress):
        of_part = steps.c.run_id.in_(part)
        listed = connection.execute(
            select(steps.c.run_id, steps.c.id, steps.c.kind, steps.c.title, steps.c.held)
            .where(of_part, steps.c.kind.in_(PLAIN_STEPS))
            .order_by(steps.c.run_id, steps.c.number)
        )
        places: dict[UUID, tuple[UUID, str]] = {}
        for run_id, its_steps in groupby(listed, key=lambda step: step.run_id):
            places |= {step_id: (run_id, place) for step_id, place in _places(list(its_steps))}
        query = (
            select(
                turns.c.step_id,
                turns.c.direction,
                func.count(),
                func.avg(turns.c.half_turn_s),
                func.count(turns.c.nominal_half_turn_s),
                func.avg(turns.c.nominal_half_turn_s),
                func.avg(turns.c.run_a),
            )
            .join(steps, turns.c.step_id == steps.c.id)
            .where(of_part, steps.c.kind.in_(PLAIN_STEPS))
            .where(turns.c.outcome.in_(_PARKED), turns.c.cut_by_rig.is_(False))
            .where(turns.c.half_turn_s.is_not(None))
            .group_by(turns.c.step_id, turns.c.direction)
        )
        for step_id, direction, timed, time_s, at_nominal, nominal_s, run_a in connection.execute(
            query
        ):
            if step_id not in places:
                continue
            run_id, place = places[step_id]
            values = found[run_id]
            values[f"{direction}_as_taken_s"][place] = float(time_s)
            if at_nominal == timed:  # a mean of some would be of others than that above
                values[f"{direction}_s"][place] = float(nominal_s)
            if run_a is not None:
                values["run_a"][f"{place} {direction}"] = float(run_a)
    return found


def _places(steps: Sequence[Any]) -> Iterator[tuple[UUID, str]]:
    """Yield the steps of a run whose half-turns compare, each with which of its kind it is."""
    of_kind: Counter[str] = Counter()
    for step in counted(steps):
        of_kind[step.kind] += 1
        if step.held != Held.NOTHING.value:
            yield step.id, f"{step.kind} {of_kind[step.kind]}"
