"""Lots in records without a bench: opened as said, their items tested with the verdict wanted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from study_runs import PLAN_TEXT

from rig.analysis.model import Judgement, Reason, Verdict
from rig.records.lot_model import LotStart
from rig.records.model import RunEnd, RunStart, RunState, Source, StepRecord, StepState

T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def lot_start(name="D-1", items=(7, 3, 12, 20, 31), ac=1, **changes):
    """Return a lot of 40 of which these items are drawn."""
    values = {
        "name": name,
        "supplier": "Ash Ridge Supply",
        "unit_type": "LM-12",
        "size": 40,
        "aql": 4.0,
        "level": "II",
        "severity": "normal",
        "severity_why": "Normal inspection, as it is from the first lot on.",
        "lot_letter": "D",
        "letter": "C",
        "table_n": len(items),
        "n": len(items),
        "ac": ac,
        "re": ac + 1,
        "plan_name": "short",
        "plan_text": PLAN_TEXT,
        "simulated": False,
        "seed": 5,
        "items": tuple(items),
        "opened_at": T0,
        "operator": "R. Vale",
    }
    return LotStart(**(values | changes))


def begun(store, lot, number, serial=None, **changes):
    """Begin a run of item ``number``; return its id."""
    item = next(item for item in lot.items if item.number == number)
    values = {
        "started_at": T0 + timedelta(minutes=number),
        "unit_serial": f"{lot.name}-{number:03d}" if serial is None else serial,
        "unit_type": "LM-12",
        "plan_name": "short",
        "plan_text": PLAN_TEXT,
        "rig_name": "Low Meadow",
        "rig_text": "",
        "station": "A",
        "operator": "jo",
        "source": Source.DELIVERY_LOT,
        "reference": lot.name,
        "backend": "pi",
        "simulated": False,
        "backend_facts": {},
        "program_version": "0",
        "lot_item": item.item_id,
    }
    return store.begin_run(RunStart(**(values | changes)))


def ended(store, run_id, verdict="pass", state=RunState.FINISHED, why="As it was made."):
    """End a run so; ``verdict`` None: it has none."""
    judged = None
    if verdict is not None:
        judged = Judgement(Verdict(verdict), (Reason(Verdict(verdict), why, "outcome"),))
    store.finish_run(run_id, RunEnd(T0 + timedelta(hours=1), state, judged, True))


def made_run(store, lot, number, verdict="pass", **changes):
    """Make a whole run of item ``number``, of one step without a trace; return its id."""
    run_id = begun(store, lot, number, **changes)
    step = StepRecord(1, "half_turns", "Half-turns", T0, T0, StepState.DONE)
    store.finish_step(run_id, step)
    ended(store, run_id, verdict)
    return run_id


def lot_records(store):
    """Write two lots that were judged and one that is gone on with, all simulated."""
    world = {"simulated": True, "backend": "simulated"}
    for name, bad, end in (("D-1", (7,), True), ("D-2", (3, 20), True), ("D-3", (12,), False)):
        store.lots.open(lot_start(name, order_number=f"P-{name}", simulated=True))
        lot = store.lots.lot(name)
        for item in lot.sample if end else lot.sample[:3]:
            verdict = "fail" if item.number in bad else "pass"
            serial = f"AR-{name}-{item.number:02d}"
            made_run(store, lot, item.number, verdict, serial=serial, **world)
        if end:
            store.lots.close(name, "R. Vale", T0 + timedelta(hours=2))
