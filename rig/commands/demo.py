"""`halfturn demo`: three simulated units are qualified, one after another."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

from drivers import BackendOptions
from rig.analysis.model import Verdict
from rig.bench.order import RunOrder
from rig.commands import exits
from rig.commands.common import RECORDS_FILE
from rig.commands.progress import Progress
from rig.commands.run import Gathered, carry_out, words
from rig.commands.streams import say
from rig.plans import find_plan, load_plan
from rig.records.store import Store
from rig.settings import starter_settings


@dataclass(frozen=True, slots=True)
class _Case:
    serial: str
    what: str
    faults: tuple[str, ...]
    deserves: Verdict


CASES = (
    _Case("LM-12-0417", "a good unit", (), Verdict.PASS),
    _Case("LM-12-0288", "a slow unit (its gear ran dry)", ("dry-gear",), Verdict.FAIL),
    _Case("LM-12-0351", "a unit that will not park (cam welded)", ("cam-welded",), Verdict.FAIL),
)


def run(options: argparse.Namespace) -> int:
    """Qualify the three, say what each got and why, and save a picture of their traces."""
    from rig.picture import Panel, save_panels

    folder = Path(options.folder)
    records = folder / RECORDS_FILE
    settings = starter_settings()
    plan = load_plan(find_plan("qualify", ()))
    panels = []
    as_deserved = True
    with Store.open(records) as store:
        for number, case in enumerate(CASES, start=1):
            say(f"Unit {number} of {len(CASES)}, {case.serial}: {case.what}")
            order = RunOrder(
                settings=settings,
                station=settings.stations[0],
                plan=plan,
                unit_serial=case.serial,
                operator="demo",
                reference="Low Meadow Pump Works",
                backend="simulated",
                options=BackendOptions(seed=number, faults=case.faults),
            )
            gathered = Gathered(Progress(), whole=True, rule=plan.decision.as_rule())
            ended = carry_out(order, records, gathered)
            say(words(ended, gathered))
            say()
            verdict = None if ended.judgement is None else ended.judgement.verdict
            as_deserved = as_deserved and verdict is case.deserves
            by_kind = sorted(gathered.steps, key=lambda step: step.kind != "half_turns")
            step = next((step for step in by_kind if step.half_turns), None)
            if step is not None and ended.run_id is not None:
                trace = store.trace(ended.run_id, step.number)
                title = f"{case.serial}, {case.what}: {verdict}"
                panels.append(Panel(trace, step.half_turns, plan.analysis_limits(), title))
    picture = folder / "demo.png"
    save_panels(picture, panels, title="SIMULATED bench: half-turns of three units")
    say(f"records: {records}   (halfturn records list --records {records})")
    say(f"picture: {picture}")
    return exits.PASS if as_deserved else exits.FAIL
