"""The measures and half-turns of a run as CSV, for a spreadsheet or a statistics program.

RFC 4180, UTF-8, decimal points, empty = not measured.  Numbers are written so that they read back
exactly.  Uncertainties are expanded (coverage factor k = 2).

A serial number is free text, often scanned off a delivered part, and a spreadsheet takes a cell
that begins with ``=``, ``+``, ``-`` or ``@`` for a formula and runs it.  So a serial that begins
with one of these, or with an apostrophe, gets one apostrophe before it: take a leading apostrophe
away to have it as recorded.  The records and ``--json`` are left as typed.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import NamedTuple

from rig.analysis.model import HalfTurn, Measure
from rig.records.model import RunRecord, StepRecord


class Quantity(NamedTuple):
    """A measure of a half-turn: its field, its unit, and the field of its uncertainty if any."""

    name: str
    unit: str
    u_name: str = ""


HALF_TURN_QUANTITIES = (
    Quantity("half_turn_s", "s", "half_turn_u_s"),
    Quantity("nominal_half_turn_s", "s", "nominal_half_turn_u_s"),
    Quantity("response_s", "s"),
    Quantity("peak_a", "A", "peak_u_a"),
    Quantity("run_a", "A", "run_u_a"),
    Quantity("rest_a", "A", "rest_u_a"),
    Quantity("charge_c", "C"),
    Quantity("energy_j", "J"),
    Quantity("supply_v", "V", "supply_u_v"),
    Quantity("sag_v", "V", "sag_u_v"),
    Quantity("dropouts", "1"),
    Quantity("longest_dropout_s", "s"),
    Quantity("turned_deg", "deg"),
    Quantity("peak_speed_deg_per_s", "deg/s"),
)
"""Every measure of a half-turn, in the order of both files."""

RUN_COLUMNS = {
    "run_id": "the run's id",
    "unit_serial": "serial number of the unit; before one that looks like a formula stands a '",
    "simulated": "1 if the run was on a simulated bench, else 0",
    "step": "number of the step in the plan",
    "step_kind": "kind of the step",
    "half_turn": "number of the half-turn; empty for a measure of the whole step",
    "direction": "to_run or to_stop",
    "outcome": "what the half-turn did",
}
"""Columns that both files begin with."""

MEASURE_COLUMNS = {
    **RUN_COLUMNS,
    "measure": "name of the measure",
    "value": "its value, in the unit named",
    "unit": "s, A, V, C, J, deg ... (1 = a plain number)",
    "expanded_u": "expanded uncertainty (k = 2), in the same unit",
}
"""Columns of the measures file, and what they hold."""

HALF_TURN_COLUMNS = {
    **RUN_COLUMNS,
    "start_s": "time of the feed change on the trace's axis, s",
    "end_s": "time of the cam's cut-off on the trace's axis, s",
    **{q.name: f"in {q.unit}" for q in HALF_TURN_QUANTITIES},
    **{q.u_name: f"expanded uncertainty of {q.name}" for q in HALF_TURN_QUANTITIES if q.u_name},
    "cut_by_rig": "1 if the rig took the feed away while current still flowed, else 0",
    "note": "what decided the outcome",
}
"""Columns of the half-turns file, and what they hold."""


def measures_csv(run: RunRecord) -> str:
    """Return one row per measure: those of each step, then those of each of its half-turns."""
    return _csv(MEASURE_COLUMNS, _measure_rows(run))


def half_turns_csv(run: RunRecord) -> str:
    """Return one row per half-turn with all its measures."""
    return _csv(HALF_TURN_COLUMNS, _half_turn_rows(run))


def measures_of(half_turn: HalfTurn) -> Iterator[Measure]:
    """Yield a half-turn's measures with their uncertainties; those not measured are left out."""
    for quantity in HALF_TURN_QUANTITIES:
        value = getattr(half_turn, quantity.name)
        if value is not None:
            u = getattr(half_turn, quantity.u_name) if quantity.u_name else None
            yield Measure(quantity.name, value, quantity.unit, u)


# The wide forms are taken as signs by spreadsheets set to East Asian languages.
_FORMULA_STARTS = tuple(
    "=+-@\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}"
    "\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}\t\r\n"
)


def text_cell(text: str) -> str:
    """Return free text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith((*_FORMULA_STARTS, "'")) else text


def _csv(columns: dict[str, str], rows: Iterator[dict[str, object]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(columns))
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _measure_rows(run: RunRecord) -> Iterator[dict[str, object]]:
    for step in run.steps:
        for measure in step.measures:
            yield _start(run, step) | _cells(measure)
        for half_turn in step.half_turns:
            for measure in measures_of(half_turn):
                yield _start(run, step, half_turn) | _cells(measure)


def _half_turn_rows(run: RunRecord) -> Iterator[dict[str, object]]:
    for step in run.steps:
        for half_turn in step.half_turns:
            start = _start(run, step, half_turn)
            rest = [name for name in HALF_TURN_COLUMNS if name not in start]
            cells = {name: getattr(half_turn, name) for name in rest}
            yield start | cells | {"cut_by_rig": int(half_turn.cut_by_rig)}


def _start(
    run: RunRecord, step: StepRecord, half_turn: HalfTurn | None = None
) -> dict[str, object]:
    cells: dict[str, object] = {
        "run_id": run.run_id,
        "unit_serial": text_cell(run.start.unit_serial),
        "simulated": int(run.start.simulated),
        "step": step.number,
        "step_kind": step.kind,
        "half_turn": "",
        "direction": "",
        "outcome": "",
    }
    if half_turn is not None:
        cells |= {
            "half_turn": half_turn.number,
            "direction": half_turn.direction,
            "outcome": half_turn.outcome,
        }
    return cells


def _cells(measure: Measure) -> dict[str, object]:
    return {
        "measure": measure.name,
        "value": measure.value,
        "unit": measure.unit,
        "expanded_u": measure.u,
    }
