"""How the units of a lot lie in their limits, as a part of a document: a row a quantity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rig.records.model import RunRecord
from rig.sheets import words
from rig.studies.capability import Capability, CapabilityStudy, capability_rows
from rig.studies.capability_words import NAMES, index_words, limit_words
from rig.studies.spread_words import share, shown
from rig.studies.units import choose_of, did_not_park


def part_of_runs(records: Sequence[RunRecord]) -> dict[str, Any] | None:
    """Return the part for the runs of a lot: by the plan of the newest, in its limits.

    None where that plan cannot be read, or where nothing has an index.
    """
    newest = max(records, key=lambda run: run.start.started_at)
    plan = words.plan_of(newest)
    if plan is None or newest.isolation is not None:
        return None
    chosen = choose_of(records, plan)
    if not chosen.records:
        return None
    stopped = [
        f"{run.start.unit_serial}, {why}" for run in chosen.records if (why := did_not_park(run))
    ]
    return capability_part(capability_rows(chosen, stopped=stopped))


def capability_part(study: CapabilityStudy) -> dict[str, Any] | None:
    """Return the rows and what they mean, for a template; None where nothing has an index."""
    rows = [_row(found) for found in study.found if found.index is not None]
    if not rows:
        return None
    count = len(study.chosen.records)
    return {
        "rows": rows,
        "of": f"{count} units, each by its newest run with a verdict",
        "without": [
            words.clean(f"{found.bound.label}: {found.why}.")
            for found in study.found
            if found.index is None
        ],
        "stopped": [words.clean(text) for text in study.stopped],
        "means": NAMES,
    }


def _row(found: Capability) -> dict[str, str]:
    index = found.index
    assert index is not None
    unit = found.bound.unit.replace("ohm", "Ω")
    return {
        "name": found.bound.label,
        "values": f"{shown(found.mean, found.sd)} {unit}, s {found.sd:.2g} {unit}",
        "limit": limit_words(found).removeprefix("allowed ").replace(" ohm", " Ω"),
        "index": index_words(found),
        "beyond": f"{share(index.beyond_low)} to {share(index.beyond_high)}",
        "state": "in control" if found.in_control else "not in control",
    }
