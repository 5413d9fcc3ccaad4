"""The Golden and the Gauge screen, by keys alone, and what Bench says of a rig out of control."""

from __future__ import annotations

import pytest
from console_pilot import accept, drive, scan, settings_with_plans, shown
from console_runs import ended, screen_rows
from stand_in import until
from study_runs import PLAN_TEXT, gauge_records, golden_records, kept, seen
from textual.widgets import Input, Static

from rig.console.dialogs.declare import DeclareDialog
from rig.console.dialogs.new_gauge import NewGaugeDialog
from rig.console.dialogs.note import NoteDialog
from rig.console.run_view import facts, view_of_record
from rig.console.screens.gauge import GaugeScreen
from rig.console.screens.golden import GoldenScreen
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


@pytest.mark.parametrize("kind", [GaugeScreen, GoldenScreen])
def test_all_keys_of_a_study_fit_the_footer_of_a_small_terminal_at_once(kind):
    keys = [binding for binding in kind.BINDINGS if binding.show]
    told = ["F12 Feeds off", "F1 Help", *(f"{b.key_display} {b.description}" for b in keys)]
    assert len(" ".join(told)) + 1 <= 80, told


def assert_fits(pilot):
    """Assert that a dialog is shown whole, its keys too."""
    (box,) = pilot.app.screen.query(".dialog")
    assert box.max_scroll_y == 0
    assert box.query_one(".dialog-choices").region.bottom < box.region.bottom <= 24
    assert "F12 Feeds off" in screen_rows(pilot.app)[-1]


async def in_dialog(pilot, kind):
    await until(pilot, lambda: isinstance(pilot.app.screen, kind))
    return pilot.app.screen


async def set_up(pilot, screen, said):
    """Press F9 in a dialog and wait until it says what is wrong."""
    await pilot.press("f9")
    await until(pilot, lambda: said in " ".join(shown(screen).split()))


def test_without_any_both_say_how_to_begin_and_begin_there(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", short=PLAN_TEXT)
    console = make_console(settings=settings, plan="short")

    async def script(pilot):
        await pilot.press("f7", "g")
        golden = await at(pilot, "golden")
        await until(pilot, lambda: "D declares one" in shown(golden))
        await pilot.press("d")
        dialog = await in_dialog(pilot, DeclareDialog)
        await pilot.pause()
        assert_fits(pilot)
        await set_up(pilot, dialog, "! The serial number is empty.")
        await scan(pilot, "G-7")
        await pilot.press("tab", "space")
        await until(pilot, lambda: "Charted: run, rest. On station A;" in shown(dialog))
        await pilot.press("f9")
        await until(pilot, lambda: golden.state is not None)
        unit = golden.state.golden
        assert (unit.serial, unit.plan_name, unit.station) == ("G-7", "short", "A")
        assert unit.measures == ("run", "rest")
        assert unit.newest.operator == "jo"
        # The same once more: refused in words, what was typed still there.
        await pilot.press("d")
        dialog = await in_dialog(pilot, DeclareDialog)
        await scan(pilot, "G-7", enters=0)
        await set_up(pilot, dialog, "Nothing is kept. G-7 is golden by the plan short")
        assert_fits(pilot)
        await pilot.press("escape")
        assert await at(pilot, "golden") is golden
        await pilot.press("escape", "u")
        gauge = await at(pilot, "gauge")
        await until(pilot, lambda: "N sets one up" in shown(gauge))
        await pilot.press("n")
        dialog = await in_dialog(pilot, NewGaugeDialog)
        await pilot.pause()
        assert_fits(pilot)
        await set_up(pilot, dialog, "! The name is empty.")
        await scan(pilot, "spring")
        await pilot.press("tab")
        await scan(pilot, "U-1")  # a scanner's Enter is no end of the units
        await scan(pilot, "U-1", enters=2)
        await scan(pilot, "jo, ann lee")
        await pilot.press("backspace", "1")
        await set_up(pilot, dialog, "! U-1 is named twice among the parts.")
        await pilot.press("backspace", "backspace", "2")
        await set_up(pilot, dialog, "2 units x 2 operators x 1 trials: 4 runs of about")
        await set_up(pilot, dialog, "! A gauge study needs at least 2 trials")
        await pilot.press("end", "backspace", "2", "f9")
        await until(pilot, lambda: gauge.study is not None)
        study = gauge.study
        assert (study.name, study.plan_name, study.plan_text) == ("spring", "short", PLAN_TEXT)
        assert {(t.part, t.operator, t.trial) for t in study.trials} == {
            (part, who, n) for part in ("U-1", "U-2") for who in ("jo", "ann lee") for n in (1, 2)
        }
        assert "0 of 8 trials done" in " ".join(shown(gauge).split())

    drive(console, script)
