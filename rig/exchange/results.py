"""The flat table of results: one row a run and measure, for a spreadsheet or a statistics program.

Of each measure that the plan limits stands the value that came closest to its limit or broke it
furthest, as on the run's sheet; of the others the last one.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from rig.analysis.checks import Check
from rig.analysis.model import Verdict
from rig.exchange.fields import Field, Kind, Table
from rig.records.model import RunRecord, RunState, Source
from rig.run_values import limits_of_plan
from rig.sheets.measures import closest_checks, measure_name, unlimited

_U = "expanded uncertainty (k = 2)"
_VERDICTS = tuple(str(word.value) for word in Verdict)

RESULTS = Table(
    "results",
    "One row a run and measure: what decided, its limits, and what both came to. A run without a "
    "measure has one row without one.",
    (
        Field("run_id", Kind.KEY, "the run"),
        Field("started_at", Kind.MOMENT, "when it began"),
        Field("unit_serial", Kind.TEXT, "serial number of the unit"),
        Field("unit_type", Kind.TEXT, "the unit's type"),
        Field("plan", Kind.TEXT, "the plan's name"),
        Field("rig", Kind.TEXT, "the rig's name"),
        Field("station", Kind.TEXT, "the station"),
        Field("operator", Kind.TEXT, "who tested"),
        Field(
            "source",
            Kind.TEXT,
            "where the unit came from",
            words=tuple(str(word.value) for word in Source),
        ),
        Field("reference", Kind.TEXT, "job or lot number; may be empty"),
        Field("simulated", Kind.FLAG, "whether no real unit was there: a simulated bench"),
        Field(
            "state",
            Kind.TEXT,
            "how far the run came",
            words=tuple(str(word.value) for word in RunState),
        ),
        Field(
            "run_verdict",
            Kind.TEXT,
            "the run's verdict; nothing where it was not judged",
            optional=True,
            words=_VERDICTS,
        ),
        Field("measure", Kind.TEXT, "the measure's name", optional=True),
        Field("name", Kind.TEXT, "the same in words", optional=True),
        Field(
            "value",
            Kind.NUMBER,
            "the value that came closest to its limit, or broke it furthest; without a limit the "
            "last one measured; in the row's unit",
            optional=True,
        ),
        Field("unit", Kind.TEXT, "the unit: s, A, V, ohm ... (1 = a plain number)", optional=True),
        Field("u", Kind.NUMBER, f"{_U} of the value, in the row's unit", optional=True),
        Field("low", Kind.NUMBER, "the least that the plan allows", optional=True),
        Field("high", Kind.NUMBER, "the most that the plan allows", optional=True),
        Field(
            "limit_u",
            Kind.NUMBER,
            f"{_U} of the limit itself, where it follows the voltage",
            optional=True,
        ),
        Field(
            "limit_at_v",
            Kind.NUMBER,
            "the voltage that the limit holds at, where it follows the voltage",
            "V",
            optional=True,
        ),
        Field("half_turn", Kind.WHOLE, "number of the half-turn it was measured at", optional=True),
        Field("count", Kind.WHOLE, "how many values were held against the limit", optional=True),
        Field(
            "verdict",
            Kind.TEXT,
            "what this measure alone comes to by the plan's rule; nothing without a limit",
            optional=True,
            words=_VERDICTS,
        ),
    ),
    refers=(("run_id", "runs", "id"),),
)

_limits = lru_cache(maxsize=64)(limits_of_plan)
_NOTHING = (None,) * 12


def result_rows(run: RunRecord) -> Iterator[tuple[Any, ...]]:
    """Yield a run's rows of `RESULTS`."""
    start, judgement = run.start, run.end.judgement if run.end else None
    who = (
        run.run_id,
        start.started_at,
        start.unit_serial,
        start.unit_type,
        start.plan_name,
        start.rig_name,
        start.station,
        start.operator,
        start.source,
        start.reference,
        start.simulated,
        run.state,
        None if judgement is None else judgement.verdict,
    )
    empty = True
    for what in _measured(run):
        empty = False
        yield who + what
    if empty:
        yield who + _NOTHING


def _measured(run: RunRecord) -> Iterator[tuple[Any, ...]]:
    limits = _limits(run.start.plan_text, run.start.plan_name)
    if limits is not None and run.isolation is None:
        for found in closest_checks(run.steps, limits):
            number = None if found.turn is None else found.turn.number
            yield _checked(found.check, number, found.count)
    for measure in unlimited(run.steps, limits):
        name = measure_name(measure)
        yield (measure.name, name, measure.value, measure.unit, measure.u, *(None,) * 7)


def _checked(check: Check, half_turn: int | None, count: int) -> tuple[Any, ...]:
    return (
        check.measure,
        check.label,
        check.value,
        check.unit,
        check.u,
        check.low,
        check.high,
        check.limit_u or None,
        check.limit_at_v,
        half_turn,
        count,
        check.verdict,
    )
