"""Lots as the JSON of `halfturn lot`: names are public and stay."""

from __future__ import annotations

from typing import Any

from rig.lots.history import SupplierHistory
from rig.lots.words import finding_words
from rig.lots.worth import LotWorth
from rig.quality.lots import OcCurve
from rig.records.lot_model import LotItem, LotKept


def lot_object(lot: LotKept, worth: LotWorth | None = None) -> dict[str, Any]:
    """Return a lot as it stands; with ``worth`` its items and risks too."""
    following = lot.next_item
    found: dict[str, Any] = {
        "name": lot.name,
        "supplier": lot.supplier,
        "order": lot.order_number,
        "unit_type": lot.unit_type,
        "size": lot.size,
        "aql_percent": lot.aql,
        "level": lot.level,
        "severity": lot.severity,
        "severity_why": lot.severity_why,
        "letter": lot.letter,
        "n": lot.n,
        "ac": lot.ac,
        "re": lot.re,
        "doubt": lot.doubt or None,
        "plan": lot.plan_name,
        "simulated": lot.simulated,
        "seed": lot.seed,
        "seed_given": lot.seed_given,
        "opened_at": lot.opened_at.isoformat(),
        "operator": lot.operator,
        "judged": lot.judged,
        "nonconforming": len(lot.nonconforming),
        "left": len(lot.left),
        "next": None if following is None else following.number,
        "result": str(lot.result),
        "end": None if lot.end is None else str(lot.end),
        "closed_at": None if lot.closed_at is None else lot.closed_at.isoformat(),
        "closed_by": lot.closed_by,
        "cautions": dict(lot.cautions),
        "text": finding_words(lot),
    }
    if worth is not None:
        found["items"] = [_item(item) for item in sorted(lot.items, key=lambda item: item.number)]
        found["risks"] = [
            {
                "good_percent": risk.good_percent,
                "bad_percent": risk.bad_percent,
                "producers": risk.producers,
                "consumers": risk.consumers,
                "lot_producers": risk.lot_producers,
                "lot_consumers": risk.lot_consumers,
            }
            for risk in worth.risks
        ]
        found["qualities"] = [
            {"accepted": one.accepted, "percent": one.percent, "units": one.units}
            for one in worth.qualities
        ]
        found["events"] = [
            {
                "at": event.at.isoformat(),
                "operator": event.operator,
                "kind": str(event.kind),
                "item": event.item,
                "text": event.text,
            }
            for event in lot.events
        ]
    return found


def _item(item: LotItem) -> dict[str, Any]:
    return {
        "number": item.number,
        "serial": item.serial or None,
        "result": str(item.result),
        "run": None if item.run is None else str(item.run.run_id),
        "why": item.untestable_why or (item.run.why if item.run is not None else ""),
        "replaces": item.replaces,
        "runs": [
            {
                "run": str(run.run_id),
                "state": str(run.state),
                "verdict": None if run.verdict is None else str(run.verdict),
                "set_aside": run.set_aside or None,
            }
            for run in item.runs
        ],
    }


def history_object(history: SupplierHistory) -> dict[str, Any]:
    """Return a supplier's lots that count together, and what comes of them."""
    average, inspection = history.average, history.inspection
    return {
        "supplier": history.supplier,
        "unit_type": history.key.unit_type,
        "level": str(history.key.level),
        "aql_percent": history.key.aql,
        "simulated": history.key.simulated,
        "severity": str(inspection.severity),
        "ended": inspection.ended,
        "score": inspection.score,
        "may_be_reduced": inspection.may_be_reduced,
        "why": inspection.why,
        "process_average": None
        if average is None
        else {
            "inspected": average.inspected,
            "nonconforming": average.nonconforming,
            "share": average.share,
            "low": average.low,
            "high": average.high,
            "in_doubt": history.in_doubt,
        },
        "lots": [lot_object(lot) for lot in (*history.lots, *history.open_lots)],
    }


def curve_object(curve: OcCurve) -> dict[str, Any]:
    """Return an operating characteristic: per cent nonconforming, and how likely accepted."""
    return {
        "process": [[point.percent, point.accepted] for point in curve.process],
        "lot": [[point.percent, point.accepted] for point in curve.lot],
    }
