"""Gather tested units and lots from records: a bench's own file, or the central ones alike."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import fmean
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, and_, exists, func, or_, select

from rig.overview.figures import Item, JudgedRun, Lot, Values
from rig.records.bundles import Bench, benches, own_bench, plain_tables
from rig.records.held import counted
from rig.records.lot_model import LotEnd, Untestable
from rig.records.model import AGAIN, RunState


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


def judged_runs(connection: Connection, period: Period, *, simulated: bool) -> list[JudgedRun]:
    """Return the finished runs with a verdict of a period, in one world.

    The rig's own runs are left out: those of gauge studies, and checks by golden units; so are
    those that were set aside in their lot (a clip was off, a label misread).
    """
    tables = plain_tables()
    runs, golden, gauge = tables["runs"], tables["golden_units"], tables["gauge_runs"]
    link = tables["lot_runs"]
    of_golden = exists().where(
        golden.c.unit_id == runs.c.unit_id,
        golden.c.plan_name == runs.c.plan_name,
        golden.c.station == runs.c.station,
        golden.c.bench_id.is_not_distinct_from(runs.c.bench_id),
        golden.c.declared_at <= runs.c.started_at,
    )
    wanted = and_(
        *_of_runs(simulated),
        *period.holds(runs.c.started_at),
        ~exists().where(gauge.c.run_id == runs.c.id),
        ~exists().where(link.c.run_id == runs.c.id, link.c.set_aside != ""),
        ~of_golden,
    )
    return list(_judged(connection, wanted).values())


def lots(connection: Connection, period: Period, *, simulated: bool) -> list[Lot]:
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


def _judged(connection: Connection, wanted: ColumnElement[bool]) -> dict[UUID, JudgedRun]:
    tables = plain_tables()
    runs, units = tables["runs"], tables["units"]
    names, plans = bench_names(connection), _plan_names(connection, wanted)
    reasons, values = _reasons(connection, wanted), _values(connection, wanted)
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
    return {
        key: JudgedRun(
            unit=serial,
            unit_type=unit_type,
            plan=plans[plan, plan_text],
            bench=names[bench],
            at=at.replace(tzinfo=UTC),
            verdict=verdict,
            reasons=tuple(reasons.get(key, ())),
            values=values.get(key, {}),
        )
        for key, bench, plan, plan_text, at, verdict, serial, unit_type in connection.execute(query)
    }


def _reasons(connection: Connection, wanted: ColumnElement[bool]) -> dict[UUID, list[str]]:
    tables = plain_tables()
    runs, reasons = tables["runs"], tables["reasons"]
    query = (
        select(reasons.c.run_id, reasons.c.measure)
        .join(runs, reasons.c.run_id == runs.c.id)
        .where(wanted, reasons.c.verdict == "fail")
        .order_by(reasons.c.run_id, reasons.c.position)
    )
    found: dict[UUID, list[str]] = defaultdict(list)
    for run_id, measure in connection.execute(query):
        if measure not in found[run_id]:
            found[run_id].append(measure)
    return found


class _Step(NamedTuple):
    id: UUID
    title: str


def _values(connection: Connection, wanted: ColumnElement[bool]) -> dict[UUID, Values]:
    """Return the mean of what a run's half-turns that parked by themselves took and drew, by step.

    Of a step that was done again the repetition counts.  A time at the plan's nominal voltage and
    one as it was measured are two measures: they are not alike.
    """
    tables = plain_tables()
    runs, steps, turns = tables["runs"], tables["steps"], tables["half_turns"]
    of_run: dict[UUID, list[_Step]] = defaultdict(list)
    query = (
        select(steps.c.run_id, steps.c.id, steps.c.title)
        .join(runs, steps.c.run_id == runs.c.id)
        .where(wanted)
        .order_by(steps.c.run_id, steps.c.number)
    )
    for run_id, step_id, title in connection.execute(query):
        of_run[run_id].append(_Step(step_id, title))
    count = {
        step.id: (run_id, step.title.removesuffix(AGAIN))
        for run_id, some in of_run.items()
        for step in counted(some)
    }
    query = (
        select(
            steps.c.id,
            turns.c.direction,
            func.avg(turns.c.nominal_half_turn_s).label("nominal_s"),
            func.avg(turns.c.half_turn_s).label("raw_s"),
            func.avg(turns.c.run_a).label("run_a"),
        )
        .join(steps, turns.c.step_id == steps.c.id)
        .join(runs, steps.c.run_id == runs.c.id)
        .where(wanted, turns.c.outcome == "parked", turns.c.cut_by_rig.is_(False))
        .group_by(steps.c.id, turns.c.direction)
    )
    found: dict[UUID, dict[str, dict[str, list[float]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(list))
    )
    for row in connection.execute(query):
        if row.id not in count:
            continue
        run_id, title = count[row.id]
        if row.nominal_s is None:
            values = {f"{row.direction}_raw_s": row.raw_s, "run_a": row.run_a}
        else:
            values = {f"{row.direction}_s": row.nominal_s, "run_a": row.run_a}
        for measure, value in values.items():
            if value is not None:
                found[run_id][measure][title].append(float(value))
    return {
        run_id: {
            measure: {title: fmean(some) for title, some in by_step.items()}
            for measure, by_step in measures.items()
        }
        for run_id, measures in found.items()
    }


def _plan_names(connection: Connection, wanted: ColumnElement[bool]) -> dict[tuple[str, str], str]:
    """Return what the plans are called, by name and text: texts of one name are told apart."""
    runs = plain_tables()["runs"]
    query = select(runs.c.plan_name, runs.c.plan_sha256).where(wanted).distinct()
    texts: dict[str, list[str]] = defaultdict(list)
    for name, text in connection.execute(query):
        texts[name].append(text)
    return {
        (name, text): name if len(some) == 1 else f"{name} ({text[:8]})"
        for name, some in texts.items()
        for text in some
    }
