"""The Golden and the Gauge screen, by keys alone, and what Bench says of a rig out of control."""

from __future__ import annotations

import pytest
from console_pilot import accept, drive, settings_with_plans, shown
from console_runs import ended
from stand_in import until
from study_runs import PLAN_TEXT, gauge_records, golden_records, kept, seen
from textual.widgets import Input, Static

from rig.console.dialogs.note import NoteDialog
from rig.console.run_view import facts, view_of_record
from rig.console.widgets.control_chart import ControlChartView
from rig.console.widgets.share_bars import ShareBars
from rig.records.golden_said import GoldenStanding, said
from rig.records.store import Store

STEADY = [2.00, 2.01, 1.99, 2.00, 2.00] * 3
VALUES = [[[2.0, 2.01], [2.02, 2.0]], [[2.3, 2.31], [2.32, 2.3]], [[2.6, 2.61], [2.6, None]]]


@pytest.fixture
def console(make_console, tmp_path):
    """A console on records of a golden unit out of control and a study that wants one trial."""
    path = tmp_path / "logs" / "records.sqlite"
    with Store.open(path) as store:
        golden_records(store, [*STEADY, 2.2])
        gauge_records(store, VALUES)
    return make_console(settings=settings_with_plans(tmp_path / "plans", short=PLAN_TEXT))


def drawn(pilot, kind=ControlChartView):
    views = pilot.app.screen.query(kind)
    return "\n".join("\n".join(view.text_lines) for view in views if view.display)


async def at(pilot, place):
    await until(pilot, lambda: getattr(pilot.app.screen, "place", "") == place)
    return pilot.app.screen


async def reason(pilot, text):
    await until(pilot, lambda: isinstance(pilot.app.screen, NoteDialog))
    pilot.app.screen.query_one(Input).value = text
    await pilot.press("enter")
    await until(pilot, lambda: not isinstance(pilot.app.screen, NoteDialog))


def test_a_golden_unit_is_seen_checked_and_given_a_new_baseline(console):
    async def script(pilot):
        ready = pilot.app.screen.query_one("#ready", Static)
        await until(pilot, lambda: "OUT OF CONTROL (unit G-1): F7, then G" in str(ready.content))
        await pilot.press("f7", "g")
        screen = await at(pilot, "golden")
        await until(pilot, lambda: screen.state is not None)
        assert "running current of 2.2000 A lies beyond its control limits" in shown(screen)
        # The measure that is out is shown first: single checks over the smoothed value.
        assert "Running current, A: single checks" in drawn(pilot)
        assert "Running current, A: smoothed (EWMA)" in drawn(pilot)
        assert drawn(pilot).count("X") >= 2
        await pilot.press("v")
        assert "Half-turn time to run, s: single checks" in drawn(pilot)
        # A check is an ordinary run, and leads back here.
        await pilot.press("f9")
        await accept(pilot)
        await ended(pilot)
        await at(pilot, "golden")
        await until(pilot, lambda: len(screen.state.checks) == 17)
        job = console.desk.live.job
        assert (job.unit_serial, job.plan.name, job.reference) == ("G-1", "short", "golden check")
        await pilot.press("b")
        await reason(pilot, "new shunt")
        await until(pilot, lambda: screen.state.baseline.reason == "new shunt")
        assert "0 of 15 checks" in " ".join(shown(screen).split())
        assert "No check has measured" in drawn(pilot)
        await pilot.press("escape")
        await at(pilot, "rig")

    drive(console, script)


def test_a_gauge_study_is_gone_on_with_and_seen(console):
    async def script(pilot):
        await pilot.press("f7", "u")
        screen = await at(pilot, "gauge")
        await until(pilot, lambda: screen.study is not None)
        assert "11 of 12 trials done; next: trial 12, unit U-3 by ann, second time" in " ".join(
            shown(screen).split()
        )
        assert "No result yet" in drawn(pilot, ShareBars)
        await pilot.press("f9")
        await accept(pilot)
        await ended(pilot)
        await at(pilot, "gauge")
        await until(pilot, lambda: screen.study.next_trial is None)
        job = console.desk.live.job
        assert (job.unit_serial, job.operator, job.reference) == ("U-3", "ann", "spring")
        names = []
        for _ in screen._results.measures:
            names.append(screen.studied.measure.name)
            await pilot.press("v")
        assert names[:3] == ["to_run", "to_stop", "run"]
        await pilot.press("v", "v")
        bars = drawn(pilot, ShareBars)
        assert "rig and people" in bars
        assert "units" in bars
        assert "y this plan" in " ".join(shown(screen).split())
        await pilot.press("r")
        await reason(pilot, "the clamp was loose")
        await until(pilot, lambda: screen.study.next_trial is not None)
        assert screen.study.trials[11].runs[0].set_aside == "the clamp was loose"

    drive(console, script, size=(120, 40))


def test_a_verdict_carries_what_was_said_of_its_rig(tmp_path):
    told = said(GoldenStanding.OUT, "The rig is OUT OF CONTROL by golden unit G-1.", serial="G-1")
    with Store.open(tmp_path / "records.sqlite") as store:
        run = store.run(kept(store, seen(), golden=told))
    assert ("Golden", "The rig is OUT OF CONTROL by golden unit G-1.") in facts(view_of_record(run))


def test_without_any_both_say_how_to_begin(make_console):
    console = make_console()

    async def script(pilot):
        await pilot.press("f7", "g")
        screen = await at(pilot, "golden")
        await until(pilot, lambda: "halfturn golden declare" in shown(screen))
        await pilot.press("escape", "u")
        screen = await at(pilot, "gauge")
        await until(pilot, lambda: "halfturn gauge new" in shown(screen))

    drive(console, script)
