"""Consoles in states that look the same every time: for snapshots, size checks and pictures.

Records have fixed dates, the bench's clock is virtual and stands still, the desk's clock too.
"""

from __future__ import annotations

import os
import time
from contextlib import asynccontextmanager, contextmanager
from unittest.mock import patch

import numpy as np
from bench_runs import HALF_TURNS, make_plan, make_settings
from canned_lots import lot_records
from console_pilot import accept, question, unhurried
from console_runs import rig_check_order, run_order
from gauge_values import drawn
from guesser import Guesser
from isolations import ALL_THERE
from recorded import library
from stand_in import FOREVER_S, StandIn, rested, until
from study_runs import gauge_records, golden_records
from textual.widgets import Input, OptionList, Static

import rig.bench.isolation
from rig.bench.commands import Answer, Hold
from rig.bench.order import ByHandOrder, IsolationOrder
from rig.console.app import HalfturnConsole
from rig.console.desk import Desk
from rig.console.dialogs.fault import FaultDialog
from rig.console.dialogs.why import WhyDialog
from rig.console.widgets.run_trace import RunTrace
from rig.console.widgets.trace import TraceView
from rig.plans import load_plan
from rig.records.store import Store
from rig.settings import starter_settings

TURN_S = 5.36  # the bench's clock when the third of the staged run's half-turns is half done
LOOK = '[[step]]\nkind = "visual"\nchecks = ["lever_free", "housing"]\n'
TURNS = HALF_TURNS.replace("count = 2", "count = 6")
REST = '[[step]]\nkind = "rest_draw"\nduration_s = 1.0\n'


def still_clock():
    return 1000.0


@contextmanager
def local_time(zone="UTC"):
    """Have times of day shown in ``zone``."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = zone
    time.tzset()
    try:
        yield
    finally:
        os.environ.pop("TZ")
        if before is not None:
            os.environ["TZ"] = before
        time.tzset()


@asynccontextmanager
async def staged_console(folder, size):
    """Run a console on the records of `recorded.library`; yield its pilot and the runs' ids."""
    records, ids = library(folder)
    settings = make_settings(sample_hz=500, supply=False).model_copy(
        update={"plans": starter_settings().plans}
    )
    benches = []

    def open_bench():
        benches.append(StandIn(records, 0.0))
        return benches[-1]

    desk = Desk(settings, records, open_bench, backend="simulated", now_s=still_clock)
    desk.choices.operator = "jo"
    desk.choices.reference = "J-1391"
    console = HalfturnConsole(desk)
    console.benches = benches
    unhurried(console)
    try:
        async with console.run_test(size=size) as pilot:
            await until(pilot, lambda: getattr(console.screen, "place", "") == "bench")
            yield pilot, ids
    finally:
        desk.close()


async def settled(pilot):
    """Draw everything as it will stay: no cursor blinks, no frame is still to come."""
    for field in pilot.app.screen.query(Input):
        field.cursor_blink = False
    for _ in range(2):  # numbers change at every second frame
        pilot.app.pump()
        await pilot.pause()


def picture(pilot, ids):
    """Return the terminal as SVG; run numbers, which differ every time, made the same."""
    svg = pilot.app.export_screenshot(title="halfturn")
    for run_id in ids.values():
        svg = svg.replace(str(run_id)[:8], "5c0ffee5")
    return svg


async def go(pilot, place):
    """Go to a place."""
    console = pilot.app
    console.go(place)
    await until(pilot, lambda: getattr(console.screen, "place", "") == place)


# --- without a job -------------------------------------------------------------------------------


async def bench(pilot):
    """Bench, filled in and ready."""
    console = pilot.app
    choices = console.desk.choices
    choices.plan, choices.serial = "qualify", "LM-12-0288"
    await go(pilot, "rig")
    await go(pilot, "bench")
    await until(pilot, lambda: console.screen.query_one("#recent", OptionList).option_count)


async def verdict(pilot, run_id):
    """Verdict of a run of the record, its trace shown."""
    console = pilot.app
    shown = console.get_screen("verdict")
    shown.show_run(run_id)
    await go(pilot, "verdict")
    await until(pilot, lambda: shown.view is not None and shown.view.run_id == run_id)
    await until(pilot, lambda: shown.query_one(RunTrace).query_one(Static).content != "")


async def why(pilot):
    """What stands out of the run whose verdict is shown, worked out."""
    await pilot.press("w")
    await until(pilot, lambda: isinstance(pilot.app.screen, WhyDialog))
    await until(pilot, lambda: pilot.app.screen.query("StrokeView"))


async def records(pilot):
    """Records, all runs found."""
    await go(pilot, "records")
    table = pilot.app.screen.query_one("RunTable")
    await until(pilot, lambda: table.row_count)
    table.focus()


async def history(pilot):
    """The history of the unit that was rebuilt, with its trend; after `records`."""
    await pilot.press(*["down"] * 4, "u")
    table = pilot.app.screen.query_one("HistoryTable")
    await until(pilot, lambda: table.row_count == 4)


async def overlay(pilot):
    """Its slow run and the one after its rebuild laid over each other; after `history`."""
    await pilot.press("m", "down", "down", "o")
    screen = pilot.app.screen
    await until(pilot, lambda: screen.query_one("ChangeTable").row_count)
    trace = screen.query_one("OverlayPane").query_one(TraceView)
    await until(pilot, lambda: "limit" in "\n".join(trace.text_lines))


async def world(pilot):
    """Sim, two faults chosen for the next job."""
    pilot.app.desk.choices.faults = ("dry-gear=4", "worn-brushes=0.4")
    await go(pilot, "world")


async def faults(pilot):
    """The list of faults, over Sim."""
    await go(pilot, "world")
    pilot.app.push_screen(FaultDialog("dry-gear", "9"))
    await until(pilot, lambda: isinstance(pilot.app.screen, FaultDialog))


async def help_of(pilot, place):
    """The help, over a place."""
    await go(pilot, place)
    await pilot.press("f1")
    await until(pilot, lambda: pilot.app.screen.is_modal)


async def actions(pilot):
    """The list of actions, over the screen that is on."""
    await pilot.press("ctrl+p")
    await until(pilot, lambda: pilot.app.screen.is_modal)
    await until(pilot, lambda: pilot.app.screen.query_one(OptionList).option_count)


async def close_dialog(pilot):
    """Close the dialog that is open, if one is."""
    if pilot.app.screen.is_modal:
        await pilot.press("escape")
        await until(pilot, lambda: not pilot.app.screen.is_modal)


# --- with a job ----------------------------------------------------------------------------------


async def begun(pilot, job):
    """Have ``job`` on; return its bench, which stands still at its start."""
    console = pilot.app
    console._pumping.pause()  # the scale of a chart remembers: frames come at set times only
    assert console.begin(job), console.desk.bench_error
    console.pump()
    await until(pilot, lambda: console.benches[-1].begun)
    return console.benches[-1]


async def frames(pilot, stand_in, until_s, every_s=0.1):
    """Let the bench's clock run to ``until_s``, drawing a frame every ``every_s``."""
    at_s = stand_in._now_s
    while at_s < until_s:
        at_s = min(at_s + every_s, until_s)
        stand_in.hold_at(at_s)
        await rested(pilot, stand_in)


async def cautions(pilot):
    """The cautions of a run, asked for over Live; return the run's bench."""
    pilot.app.desk.choices.faults = ()
    await go(pilot, "live")
    plan = make_plan(LOOK, TURNS, REST)
    job = run_order(pilot.app, plan, consent=False, ask_operator=True)
    stand_in = await begun(pilot, job)
    stand_in.hold_at(1.5)
    await rested(pilot, stand_in)
    await question(pilot, "accept_cautions")
    return stand_in


async def ask(pilot):
    """The first visual check, after `cautions`."""
    await accept(pilot)
    await rested(pilot, pilot.app.benches[-1])
    await question(pilot, "inspect")


async def live(pilot, stand_in):
    """Live in the third half-turn, after `ask`."""
    for _ in range(2):
        dialog = await question(pilot, "inspect")
        await pilot.press("o")
        await until(pilot, lambda: pilot.app.screen is not dialog)  # noqa: B023
        await rested(pilot, stand_in)
    await frames(pilot, stand_in, TURN_S)


async def stop(pilot):
    """Take the feeds off and wait for the job to end."""
    console = pilot.app
    console._pumping.resume()
    await pilot.press("f12")
    await until(pilot, lambda: not console.desk.live.on)
    await until(pilot, lambda: not console.screen.is_modal)
    console.clear_notifications()


async def isolation(pilot, fault="relay-dead", mind=Guesser):
    """Causes, a test done and the next proposed; ``mind`` None thinks with what ships."""
    console = pilot.app
    before, console.desk.choices.faults = console.desk.choices.faults, (fault,)
    await go(pilot, "isolate")
    job = run_order(console, make_plan(ALL_THERE, REST), IsolationOrder, ask_operator=True)
    console.desk.choices.faults = before
    learnt = rig.bench.isolation.Learnt if mind is None else lambda *_: mind()
    with patch("rig.bench.isolation.Learnt", learnt):
        stand_in = await begun(pilot, job)
        stand_in.hold_at(FOREVER_S)
        await until(pilot, lambda: _is_proposed(console, done=0))
        console.desk.tell(Answer("do"))
        await until(pilot, lambda: _is_proposed(console, done=1))
    console.screen.show_all()


def _is_proposed(console, done):
    console.pump()
    live = console.desk.live
    return live.proposed and len(live.ranked.done) == done


async def by_hand(pilot):
    """By hand, both feeds held in mid-turn."""
    console = pilot.app
    await go(pilot, "by_hand")
    job = run_order(console, load_plan(console.desk.plans()["incoming"]), ByHandOrder)
    stand_in = await begun(pilot, job)
    stand_in.hold_at(1.5)
    await rested(pilot, stand_in)
    for _ in range(4):
        stand_in.tell(Hold(True, True, 1.0))
        stand_in.advance(0.1)
        await rested(pilot, stand_in)


async def golden(pilot):
    """Golden: a sensor that drifts, seen by a unit that is known to be good."""
    steady = [2.00, 2.01, 1.99, 2.00, 2.00] * 3
    with Store.open(pilot.app.desk.records) as store:
        golden_records(store, [*steady, 2.0, 2.01, 2.0, 2.02, 2.03, 2.04, 2.05])
    await go(pilot, "golden")
    await until(pilot, lambda: pilot.app.screen.state is not None)


async def gauge(pilot):
    """Gauge: a study that is whole, seen by the running current."""
    values = drawn(np.random.default_rng(6), 5, 2, 3, 0.3, 0.005, 0.002, 0.01) - 8.0
    with Store.open(pilot.app.desk.records) as store:
        gauge_records(store, values.round(3).tolist())
    await go(pilot, "gauge")
    screen = pilot.app.screen
    await until(pilot, lambda: screen.study is not None)
    while screen.studied.measure.name != "run":
        await pilot.press("v")


async def lots(pilot):
    """Lots: one open, one accepted, one not."""
    with Store.open(pilot.app.desk.records) as store:
        lot_records(store)
    await go(pilot, "lots")
    table = pilot.app.screen.query_one("LotTable")
    await until(pilot, lambda: table.row_count == 3)


async def lot(pilot):
    """The lot that is open, after `lots`."""
    await pilot.press("enter")
    await until(pilot, lambda: pilot.app.screen.lot is not None)


async def readings(pilot):
    """Rig, with readings and a zero."""
    await go(pilot, "rig")
    stand_in = await begun(pilot, rig_check_order(pilot.app))
    stand_in.hold_at(3.0)
    await rested(pilot, stand_in)
