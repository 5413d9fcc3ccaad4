"""A calibration from the Rig screen: what it asks, what it stores, and that F12 stores nothing."""

from __future__ import annotations

from console_pilot import accept, drive, question, shown
from stand_in import until
from textual.widgets import Input

from rig.bench.events import ItemState
from rig.console.dialogs.ask import AskDialog
from rig.console.dialogs.calibrate import CalibrateDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.dialogs.reading import ReadingDialog
from rig.console.widgets.check_list import CheckList
from rig.console.widgets.state_line import StateLine
from rig.console.widgets.wiring_view import WiringView
from rig.records.store import Store


def at_rig(script):
    """Return a script that goes to the Rig screen first."""

    async def go(pilot):
        await pilot.press("f7")
        await until(pilot, lambda: pilot.app.place_screen.place == "rig")
        await script(pilot, pilot.app.screen)

    return go


def test_a_calibration_is_begun_answered_and_accepted_at_the_screen(make_console):
    console = make_console()

    async def script(pilot, screen):
        app = pilot.app
        await pilot.press("k")
        await until(pilot, lambda: isinstance(app.screen, CalibrateDialog))
        app.screen.query_one("#by", Input).value = "R. Vale"
        await pilot.press("f9")
        await accept(pilot)
        while True:
            await until(pilot, lambda: app.desk.live.asked or app.desk.live.checked)
            asked = app.desk.live.asked
            if asked is None:
                break
            action = asked.ask.action
            await until(pilot, lambda: isinstance(app.screen, AskDialog | ReadingDialog))
            if asked.ask.allowed:
                await question(pilot, action)
            if action == "read_meter":
                app.screen.query_one(Input).value = asked.seen
                await pilot.press("enter")
            else:
                await pilot.press("a" if action == "accept_calibration" else "d")
            await until(pilot, lambda was=asked: app.desk.live.asked is not was)
        app.pump()
        assert screen.query_one(StateLine).state.word == "Calibrated"
        titles = [item.title for item in screen.query_one(CheckList).items]
        assert titles[0] == "Zero of the current"
        assert all(item.state is ItemState.GOOD for item in screen.query_one(CheckList).items)
        await until(
            pilot, lambda: app.desk.calibration is not None and app.desk.calibration.applies
        )
        await until(pilot, lambda: "by R. Vale" in shown(screen.query_one(WiringView)))

    drive(console, at_rig(script))


def test_f12_in_a_calibration_stores_nothing(make_console):
    console = make_console()

    async def script(pilot, screen):
        app = pilot.app
        await pilot.press("k")
        await until(pilot, lambda: isinstance(app.screen, CalibrateDialog))
        await pilot.press("f9")
        await accept(pilot)
        await question(pilot, "remove_everything")
        await pilot.press("f12")
        await until(pilot, lambda: app.desk.live.checked is not None)
        app.pump()
        assert screen.query_one(StateLine).state.word == "Broken off"
        assert "Nothing was stored" in screen.query_one(StateLine).state.text
        with Store.open(app.desk.records) as store:
            assert store.calibrations() == ()

    drive(console, at_rig(script))


def test_a_rig_file_without_a_reference_is_told_of_what_is_missing(make_console):
    console = make_console()

    async def script(pilot, screen):
        pilot.app.desk.backend = "pi"
        await pilot.press("k")
        await until(pilot, lambda: isinstance(pilot.app.screen, MessageDialog))
        assert "names no reference" in shown(pilot.app.screen)
        await pilot.press("escape")
        assert not pilot.app.desk.live.on
        # Nothing kept says that this rig was calibrated, and it is a real one.
        pilot.app.look_up_rig()
        await until(pilot, lambda: pilot.app.desk.calibration is not None)
        await until(pilot, lambda: pilot.app.desk.calibration.simulated is False)
        pilot.app.pump()
        assert "RIG NEVER CALIBRATED" in shown(screen)

    drive(console, at_rig(script))
