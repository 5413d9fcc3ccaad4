"""The report's words, tables, JSON and CSV."""

from __future__ import annotations

import csv
import io
import re
import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rig.labels import shown
from rig.lots.words import percent
from rig.overview.figures import AS_TAKEN, NOT_TESTABLE, Line, Paired, Spread
from rig.records.export import text_cell
from rig.records.text_table import WIDTH, table_text

REASONS = {
    "outcome": "did not park as it should",
    "half_turn_s": "slow",
    "run_a": "running current",
    "peak_a": "inrush peak",
    "rest_a": "rest current",
    "rest_draw_a": "rest draw",
    "sag_v": "supply sag",
    "response_s": "response delay",
    "dropouts": "dropouts",
    "longest_dropout_s": "dropouts",
    "turned_deg": "angle turned",
    NOT_TESTABLE: "could not be tested",
}
MEASURES = {
    "to_run_s": ("half-turn time to run", "s"),
    "to_stop_s": ("half-turn time to stop", "s"),
    "to_run_as_taken_s": ("time to run, as taken", "s"),
    "to_stop_as_taken_s": ("time to stop, as taken", "s"),
    "run_a": ("running current", "A"),
}
HOW_COUNTED = {
    "suppliers": (
        "Items of lots opened then; each counts by the first of its runs that passed or failed, "
        "as the lot is judged."
    ),
    "benches": "Each unit counts once a bench, by its last run there that passed or failed.",
    "months": "Each unit counts once a month (UTC), by its last run that passed or failed.",
    "types": "Each unit counts once, by its last run that passed or failed.",
}
_HEADS = {"suppliers": "supplier", "benches": "bench", "months": "month", "types": "unit type"}
_TOLD_APART = re.compile(r" \([0-9a-f]{8}\)$")
_WHOLE_NAME = 1000  # of a bench or supplier: never so cut that two look alike
_PLACES = 4  # of seconds and amperes: a step of what the bench measures


def report_text(
    by: str, lines: Sequence[Line], spreads: Sequence[Spread], pairs: Sequence[Paired], of: str
) -> str:
    """Return the report for a terminal; ``of`` says of which records and days it is."""
    if not lines:
        nothing = "No lot was opened then" if by == "suppliers" else "Nothing then has a verdict"
        return _wrapped(f"{of} {nothing}.") + "\n"
    parts = [_wrapped(of), table_text(_rows(by, lines), shrinkable=(0,), whole=True).rstrip()]
    if any(line.reasons for line in lines):
        parts.append("Commonest reasons, with the number of units\n" + _reason_lines(lines))
    parts.append(
        _wrapped(
            f"{HOW_COUNTED[by]} Nonconforming: of the units judged, with 95 % confidence between "
            "the two figures (Clopper and Pearson). First try: passed at their first run."
        )
    )
    parts += _bench_parts(spreads, pairs)
    return "\n\n".join(parts) + "\n"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="    " if text.startswith(" ") else "")


def _rows(by: str, lines: Sequence[Line]) -> list[list[str]]:
    lots = by == "suppliers"
    head = [_HEADS[by]]
    if lots:
        head += ["lots", "accepted", "not"]
    head += ["units", "nonconforming", "first try"]
    rows = [head]
    for line in lines:
        row = [_called(line)]
        if lots:
            row += [str(line.lots), str(line.accepted), str(line.not_accepted)]
        row += [str(line.judged), _share(line), _first(line)]
        rows.append(row)
    return rows


def _reason_lines(lines: Sequence[Line]) -> str:
    return "\n".join(
        _wrapped(f"  {_called(line)}: {_reasons(line)}") for line in lines if line.reasons
    )


def _called(line: Line) -> str:
    return shown(line.name, _WHOLE_NAME) or "(not told)"


def _share(line: Line) -> str:
    if line.average is None:
        return "-"
    low, high = 100 * line.average.low, 100 * line.average.high
    return f"{line.nonconforming}: {percent(line.average.share)} ({_rough(low)} to {_rough(high)})"


def _rough(percentage: float) -> str:
    return f"{percentage:.2g}" if percentage < 10.0 else f"{percentage:.0f}"


def _first(line: Line) -> str:
    tested = line.judged
    return percent(line.first_pass / tested) if tested else "-"


def _reasons(line: Line) -> str:
    return ", ".join(f"{REASONS.get(name, name)} {count}" for name, count in line.reasons)


def _bench_parts(spreads: Sequence[Spread], pairs: Sequence[Paired]) -> Iterator[str]:
    if not spreads:
        return
    for (unit_type, plan), some in groupby(spreads, key=lambda each: (each.unit_type, each.plan)):
        rows = [["", "bench", "runs", "median", "middle half"]]
        rows += [_spread_row(each) for each in some]
        table = table_text(rows, shrinkable=(1,), whole=True).rstrip()
        yield f"What each bench reads of {shown(unit_type)} by the plan {shown(plan, 60)}\n{table}"
    yield _wrapped(_what_compares(spreads))
    if not pairs:
        yield "No unit was tested on two benches by one plan."
        return
    yield "Same units on two benches\n" + "\n".join(_wrapped(pair_words(p)) for p in pairs)
    several = sum(pair.u is not None for pair in pairs)
    all_hold = f"All {several} intervals hold together" if several > 1 else "The interval holds"
    yield _wrapped(
        f"{all_hold} with 95 % confidence (Student's t"
        f"{', Bonferroni' if several > 1 else ''}). A difference beyond its interval is one of the "
        "benches, or of units that changed between their two tests. Test one unit on both on one "
        "day, and look at both calibrations."
    )


def _what_compares(spreads: Sequence[Spread]) -> str:
    words = (
        "Half-turns that parked, at plain work in steps that count; times are at the plan's "
        "nominal voltage."
    )
    if any(each.measure in AS_TAKEN for each in spreads):
        words += (
            " As taken: no run has them at nominal voltage, so the supply is in the difference too."
        )
    if any(_TOLD_APART.search(each.plan) for each in spreads):
        words += (
            " Plans of one name with other steps or unit data stand apart, each with the first "
            "characters of its SHA-256."
        )
    return words


def _spread_row(spread: Spread) -> list[str]:
    label, unit = MEASURES[spread.measure]
    median, low, high = (
        f"{value:#.{_PLACES}g}" for value in (spread.median, spread.low, spread.high)
    )
    return [
        label,
        shown(spread.bench, _WHOLE_NAME),
        str(spread.runs),
        f"{median} {unit}",
        f"{low} to {high}",
    ]


def pair_words(pair: Paired) -> str:
    """Return what two benches' readings of the same units say, as a sentence."""
    label, unit = MEASURES[pair.measure]
    units = f"{pair.units} unit{'s' if pair.units > 1 else ''}"
    one, other = (shown(name, _WHOLE_NAME) for name in (pair.one, pair.other))
    of = f"{shown(pair.unit_type)}, {shown(pair.plan, 60)}, {label}"
    what = f"  {of}: {other} - {one} is "
    difference = f"{pair.difference:+.3g}"
    if pair.u is None:
        return f"{what}{difference} {unit} ({units}: too few to tell)."
    told = "one bench reads otherwise" if pair.differs else "no difference seen"
    return f"{what}({difference} ± {pair.u:.2g}) {unit} ({units}): {told}."


def report_object(
    by: str, lines: Sequence[Line], spreads: Sequence[Spread], pairs: Sequence[Paired], of: str
) -> dict[str, Any]:
    """Return the report as JSON; shares are from 0 to 1."""
    made: dict[str, Any] = {
        "by": by,
        "of": of,
        "groups": [_line_object(by, line) for line in lines],
    }
    if by == "benches":
        made["spreads"] = [
            {
                "unit_type": s.unit_type,
                "plan": s.plan,
                "measure": s.measure,
                "bench": s.bench,
                "runs": s.runs,
                "median": s.median,
                "quartiles": [s.low, s.high],
            }
            for s in spreads
        ]
        made["pairs"] = [
            {
                "unit_type": p.unit_type,
                "plan": p.plan,
                "measure": p.measure,
                "one": p.one,
                "other": p.other,
                "units": p.units,
                "difference": p.difference,
                "u": p.u,
                "differs": p.differs,
            }
            for p in pairs
        ]
    return made


def _line_object(by: str, line: Line) -> dict[str, Any]:
    made: dict[str, Any] = {
        "name": line.name,
        "units": line.judged,
        "nonconforming": line.nonconforming,
        "nonconforming_low": None if line.average is None else line.average.low,
        "nonconforming_high": None if line.average is None else line.average.high,
        "first_pass": line.first_pass,
        "reasons": [{"measure": name, "units": count} for name, count in line.reasons],
    }
    if by == "suppliers":
        made |= {
            "lots": line.lots,
            "accepted": line.accepted,
            "not_accepted": line.not_accepted,
        }
    return made


def report_csv(by: str, lines: Sequence[Line]) -> str:
    """Return the groups as CSV, its lines ended as this system does; no cell is a formula."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(
        [
            _HEADS[by].replace(" ", "_"),
            *("lots", "lots_accepted", "lots_not_accepted"),
            *("units", "nonconforming", "nonconforming_low", "nonconforming_high"),
            *("first_pass", "reasons"),
        ]
    )
    for line in lines:
        bounds = ("", "") if line.average is None else (line.average.low, line.average.high)
        lots = (line.lots, line.accepted, line.not_accepted) if by == "suppliers" else ("",) * 3
        out.writerow(
            [
                text_cell(line.name),
                *lots,
                line.judged,
                line.nonconforming,
                *bounds,
                line.first_pass,
                text_cell("; ".join(f"{name} {count}" for name, count in line.reasons)),
            ]
        )
    return text.getvalue()
