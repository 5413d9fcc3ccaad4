"""Lots in records without a bench: opened as said, their items tested with the verdict wanted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from study_runs import PLAN_TEXT

from rig.analysis.model import Judgement, Reason, Verdict
from rig.quality.sampling_draw import drawing_order
from rig.quality.sampling_tables import Level, Severity, sampling_plan
from rig.records.lot_model import LotStart
from rig.records.model import RunEnd, RunStart, RunState, Source, StepRecord, StepState

T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


SEED = 3642002


def lot_start(name="D-1", items=None, ac=None, **changes):
    """Return a lot of 40 of which 7, 3, 31, 12, 20 are drawn, and 1 may be nonconforming.

    Plan and draw are those of the tables and the seed; given ``items`` or ``ac`` are made up.
    """
    asked = {"size": 40, "aql": 10.0, "level": "I", "severity": "normal", "seed": SEED} | changes
    plan = sampling_plan(
        asked["size"], Level(asked["level"]), asked["aql"], Severity(asked["severity"])
    )
    drawn = drawing_order(plan.lot_size, plan.n, asked["seed"])
    items = drawn if items is None else tuple(items)
    ac = plan.ac if ac is None else ac
    values = {
        "name": name,
        "supplier": "Ash Ridge Supply",
        "unit_type": "LM-12",
        "severity_why": "Normal inspection, as it is from the first lot on.",
        "lot_letter": plan.lot_letter,
        "letter": plan.letter,
        "table_n": plan.table_n if items is drawn else len(items),
        "n": len(items),
        "ac": ac,
        "re": ac + 1,
        "doubt": plan.doubt,
        "plan_name": "short",
        "plan_text": PLAN_TEXT,
        "simulated": False,
        "items": items,
        "opened_at": T0,
        "operator": "R. Vale",
    }
    return LotStart(**(values | asked))


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
