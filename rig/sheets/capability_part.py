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

BEYOND = (
    "“Expected beyond” is the part of all units, as an interval, if their values are normal; "
    "a dash where they are not, or not steady."
)


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
    without = [found for found in study.found if found.index is None]
    if not rows:
        return None
    count = len(study.chosen.records)
    said = [
        f"{count} units, each by its newest run with a verdict and its value nearest to the limit",
        *(f"no index of the {_low(found.bound.label)}: {found.why}" for found in without),
        *(f"did not park, and has no values to count for it: {text}" for text in study.stopped),
        *(remark.rstrip(".") for remark in study.chosen.remarks),
    ]
    return {"rows": rows, "says": words.clean(f"{'; '.join(said)}. {BEYOND} {NAMES}")}


def _low(label: str) -> str:
    return label[0].lower() + label[1:]


def _row(found: Capability) -> dict[str, Any]:
    index = found.index
    assert index is not None
    unit = found.bound.unit.replace("ohm", "Ω")
    return {
        "name": found.bound.label,
        "values": f"{shown(found.mean, found.sd)} {unit}, s {found.sd:.2g} {unit}",
        "limit": limit_words(found).removeprefix("allowed ").replace(" ohm", " Ω"),
        "index": index_words(found),
        "beyond": " to ".join(dict.fromkeys((share(index.beyond_low), share(index.beyond_high))))
        if found.tells_beyond
        else "–",
        "odd": not found.in_control,
    }
