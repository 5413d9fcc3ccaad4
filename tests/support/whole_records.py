"""Records with one of every kind in them, to be taken from one place into another."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

from rig.quality.calibration import (
    Calibration,
    Correction,
    Point,
    Quantity,
    Reference,
    ReferenceKind,
    Setup,
    line_of,
    standing,
)
from rig.records.calibrations import RigCheckRecord
from rig.records.lot_model import LotStart
from rig.records.model import RunState, Source
from rig.records.study_model import GoldenStart, StudyStart, TrialPlanned

AT = datetime(2026, 3, 2, 9, 30, 1, 5, tzinfo=UTC)
SETUP = Setup("Low Meadow", "A", "pi", False, 1, 0x40, 0.005, 0.16)
POINTS = (
    Point(0.0, 0.0123, 0.002, 400, 0.0006),
    Point(2.488, 2.45, 0.003, 800, 0.0007, 0.0003, 0.001, 6.3),
    Point(6.238, 6.13, 0.003, 800, 0.0007, 0.0003, 0.003, None),
)
PLAN = "[plan]\nname = 'qualify'\n"


def calibration():
    meter = Reference(ReferenceKind.METER, "M 3", expanded_u=0.003)
    before = Correction(1.01, 0.002, 0.005, 0.004, 1e-6)
    current = line_of(Quantity.CURRENT, POINTS, before)
    voltage = line_of(Quantity.VOLTAGE, POINTS[1:], Correction())
    due = date(2027, 3, 2)
    return Calibration(
        uuid4(), AT, due, "R. Vale", SETUP, (meter,), current, voltage, "clamps new", "0.1"
    )


def study(name="spring"):
    trials = (TrialPlanned("U-1", "jo", 1), TrialPlanned("U-1", "ann", 1))
    return StudyStart(name, "qualify", PLAN, "left", AT, 2**40 + 7, trials)


def golden(serial="LM12-0041"):
    return GoldenStart(serial, "LM-12", "qualify", "left", 5, ("to_run", "run"), AT)


def lot(name="L-2209", **changes):
    start = LotStart(
        name=name,
        supplier="Hollow Lane Castings",
        unit_type="LM-12",
        size=50,
        aql=4.0,
        level="S-2",
        severity="normal",
        severity_why="the first lot of this supplier",
        lot_letter="B",
        letter="B",
        table_n=3,
        n=3,
        ac=0,
        re=1,
        plan_name="incoming",
        plan_text="[plan]\nname = 'incoming'\n",
        simulated=True,
        seed=272648,
        items=(4, 17, 33),
        opened_at=AT,
        operator="sam",
    )
    return replace(start, **changes)


def check():
    items = ({"name": "sensor", "title": "The sensor", "state": "good", "text": "answers"},)
    return RigCheckRecord(AT, "Low Meadow", "left", "pi", False, None, True, True, "good", items)


def made(store, make, end=RunState.FINISHED, **changes):
    """Record a run of one step that ended so (None: it goes on)."""
    run = store.begin_run(make.run_start(**changes))
    store.finish_step(run, make.step(1))
    if end is not None:
        store.finish_run(run, make.run_end(state=end))
    return run


def everything(store, make):
    """Record one of each kind, a run of a study and one of a lot; return the runs."""
    kept = calibration()
    store.keep_calibration(kept)
    store.keep_rig_check(check())
    store.gauge.begin(study())
    store.golden.declare(golden())
    store.lots.open(lot())
    stood = standing([kept], kept.setup, kept.due - timedelta(days=1))
    trial = store.gauge.study("spring").trials[0].trial_id
    item = store.lots.lot("L-2209").items[0].item_id
    first = store.begin_run(make.run_start(calibration=stood, gauge_trial=trial))
    store.finish_step(first, make.step(1))
    store.add_event(first, make.event())
    store.finish_run(first, make.run_end())
    second = made(
        store,
        make,
        lot_item=item,
        source=Source.DELIVERY_LOT,
        reference="L-2209",
        unit_serial="LM12-0099",
        plan_name="incoming",
        plan_text=lot().plan_text,
    )
    return [first, second]
