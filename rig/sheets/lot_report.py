"""A list of runs as a report: how many, what each got, and how the main measures spread.

Whether a lot is accepted is said by the sample that judges it (`LotFinding`), or not at all.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any
from uuid import UUID

import numpy as np

from rig.analysis.model import HalfTurn, Outcome
from rig.records.held import counted, is_judged
from rig.records.model import RunRecord
from rig.records.show import SHORT_ID
from rig.sheets import words
from rig.sheets.capability_part import part_of_runs
from rig.sheets.code import SheetCode
from rig.sheets.document import Document, common
from rig.sheets.figures import spread_figure
from rig.sheets.letterhead import Letterhead
from rig.sheets.lot_finding import LotFinding
from rig.sheets.lot_marks import across, lot_counts, lot_marks
from rig.sheets.standing import Mark, standing_of

LOT_MOST = 6000
"""Runs in one report at most: some two hundred pages."""
LONG = 60
"""More runs than this are never fitted on one page."""
DRAWN_LEAST = 5
"""Fewer runs than this make no picture of a spread."""
_LISTS = "This report lists the runs named, and what each unit did on this bench."
_SAYS = f"{_LISTS} It says nothing of units that were not tested."
_SAYS_JUDGED = (
    f"{_LISTS} Of units that were not tested it says what the sample tells of the lot as a whole, "
    "with the risks above, and nothing of a single one."
)
UNTESTED = "a lot of a simulated bench: it has no real unit, and nothing is proved of one."
MAIN = (
    ("half-turn time", "half_turn_s", "s"),
    ("running current", "run_a", "A"),
    ("inrush peak", "peak_a", "A"),
)
"""The measures whose spread is shown: label, field of `HalfTurn`, unit."""


def lot_report(
    summed: Iterable[tuple[RunRecord, str]],
    letterhead: Letterhead,
    paper: str = "",
    finding: LotFinding | None = None,
    set_aside: Mapping[UUID, str] = MappingProxyType({}),
) -> Document:
    """Return the report of runs, each with its checksum, in the order of their dates.

    ``finding`` says what is made of the lot that they belong to; without a run it must be there.
    ``set_aside`` says of runs why they count for nothing.
    """
    both = sorted(summed, key=lambda one: (one[0].start.started_at, one[0].run_id))
    runs = [run for run, _ in both]
    counting = [run for run in runs if run.run_id not in set_aside]
    untested = () if finding is None or runs else tuple(Mark(m, UNTESTED) for m in finding.marks)
    marks = lot_marks(runs) or untested
    times = [run.start.started_at for run in runs]
    if not times and finding is not None and finding.at is not None:
        times = [finding.at]
    first, last = (words.local(time, "%Y-%m-%d") for time in (times[0], times[-1]))
    dated = first if first == last else f"{first} to {last}"
    names = [finding.lot] if finding is not None and finding.lot else []
    references = dict.fromkeys([*names, *(run.start.reference for run in runs)])
    name = ", ".join(reference for reference in references if reference) or "without a number"
    foot = f"{words.clean(name)[:60]} · {_runs(len(runs))} · {dated}"
    rows = {
        str(run.run_id): _row(run, checksum, set_aside.get(run.run_id, ""))
        for run, checksum in both
    }
    data = {
        **common(
            f"Lot report {words.clean(name)}",
            dated,
            letterhead,
            paper,
            marks,
            foot,
            across(marks),
        ),
        "lot": words.clean(name),
        "long": len(both) > LONG,
        "facts": _facts(runs, counting),
        "counts": [*lot_counts(counting), *_aside(len(runs) - len(counting))],
        "finding": None if finding is None else _with_codes(finding.data, rows),
        "rows": list(rows.values()),
        "spreads": [
            found for found in (_spread(_alike(counting), *main) for main in MAIN) if found
        ],
        "capability": part_of_runs(counting) if counting else None,
        "rule": words.decision_rules(runs),
        "says_lot": _SAYS if finding is None or not finding.items else _SAYS_JUDGED,
    }
    return Document("lot", data, letterhead, times[-1])


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"


def _aside(count: int) -> list[dict[str, str]]:
    runs = "run" if count == 1 else "runs"
    return [{"word": "SET ASIDE", "count": str(count), "runs": runs}] if count else []


def _facts(runs: Sequence[RunRecord], counting: Sequence[RunRecord]) -> list[dict[str, str]]:
    """Return what the runs have in common; what the units came to is told of those that count."""
    units = len({run.start.unit_serial for run in counting})
    aside = len(runs) - len(counting)
    beside = f"; {_runs(aside)} set aside, which count for nothing below" if aside else ""

    def all_of(values: Sequence[str]) -> str:
        return ", ".join(value for value in dict.fromkeys(values) if value)

    pairs = {
        "Units": f"{units} in {_runs(len(counting))}{beside}" if runs else "",
        "Last run": units_by_last_run(counting) if counting else "",
        "Type": all_of([run.start.unit_type for run in runs]),
        "Plan": all_of([run.start.plan_name for run in runs]),
        "Rig": all_of([run.start.rig_name for run in runs]),
        "Operator": all_of([run.start.operator for run in runs]),
    }
    return [{"name": name, "text": words.clean(text)} for name, text in pairs.items() if text]


def units_by_last_run(runs: Sequence[RunRecord]) -> str:
    """Return how many units got what by their last run, of each plan by itself.

    ``runs`` are in the order of their dates.  A pass by one plan is none by another.
    """
    last: dict[str, dict[str, RunRecord]] = {}
    for run in runs:
        last.setdefault(_plan_name(run), {})[run.start.unit_serial] = run
    told = {plan: _counted(of_unit.values()) for plan, of_unit in last.items()}
    if len(told) == 1:
        return next(iter(told.values()))
    return "; ".join(f"by {plan}: {counts}" for plan, counts in told.items())


def _counted(runs: Iterable[RunRecord]) -> str:
    counts = Counter(standing_of(run).whole_word for run in runs)
    return ", ".join(
        f"{count} unit{'' if count == 1 else 's'} {word}" for word, count in sorted(counts.items())
    )


def _plan_name(run: RunRecord) -> str:
    return run.start.plan_name if run.isolation is None else "isolation"


def _with_codes(finding: dict[str, Any], rows: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """Return what is said of a lot with code, time and cautions of each run that decides an item.

    Those runs need no line of their own any more (``told``).
    """
    for item in finding["items"]:
        row = rows.get(item["run_id"])
        if row is not None:
            item["when"], item["code"], row["told"] = row["when"], row["code"], True
            item["beside"] = "; ".join(filter(None, (item["beside"], row["caution"])))
    return finding


def _row(run: RunRecord, checksum: str, set_aside: str) -> dict[str, Any]:
    standing = standing_of(run)
    code = SheetCode.of(run.run_id, checksum)
    aside = f"set aside: {set_aside}" if set_aside else ""
    against = [reason.text for reason in standing.reasons if str(reason.verdict) != "pass"]
    return {
        "told": False,
        "serial": words.clean(run.start.unit_serial),
        "when": words.local(run.start.started_at, words.WITH_ZONE),
        "verdict": standing.whole_word,
        "odd": standing.kind != "pass" or bool(standing.marks) or bool(set_aside),
        "caution": words.clean(standing.caution),
        "why": words.clean(". ".join(filter(None, [aside, standing.caution, *against[:1]]))),
        "code": f"{str(run.run_id)[:SHORT_ID]} {code.digits[:8].upper()}",
    }


def _turns(run: RunRecord) -> list[HalfTurn]:
    return [
        turn
        for step in counted(run.steps)
        if is_judged(step)
        for turn in step.half_turns
        if turn.outcome in (Outcome.PARKED, Outcome.SLOW)
    ]


def _alike(runs: Sequence[RunRecord]) -> Sequence[RunRecord]:
    """Return the runs on real units, all of them where none is: the two are never mixed."""
    return [run for run in runs if not run.start.simulated] or runs


def _spread(runs: Sequence[RunRecord], name: str, field: str, unit: str) -> dict[str, Any] | None:
    """Return how a measure's means spread over the runs; None with fewer than two of them."""
    means = []
    plans: dict[str, None] = {}
    for run in runs:
        values = [getattr(turn, field) for turn in _turns(run)]
        known = [value for value in values if value is not None and math.isfinite(value)]
        if known:
            means.append(float(np.mean(known)))
            plans[_plan_name(run)] = None
    if len(means) < 2:
        return None
    spread = float(np.std(means, ddof=1))
    text = (
        f"{name[:1].upper()}{name[1:]}, {len(means)} runs: {min(means):.4g} to {max(means):.4g} "
        f"{unit}, middle {np.median(means):.4g} {unit}, standard deviation {spread:.2g} {unit}"
    )
    if len(plans) > 1:
        text += f"; of different plans together: {', '.join(plans)}"
    drawn = len(means) >= DRAWN_LEAST
    return {
        "name": name,
        "text": words.clean(text),
        "svg": spread_figure(means, f"{name}, {unit}") if drawn else "",
    }
