"""The Lots screen, by keys and a scanner alone."""

from __future__ import annotations

import pytest
from canned_lots import lot_start, made_run
from console_pilot import accept, drive, scan, settings_with_plans, shown
from console_runs import ended, screen_rows
from scipy.optimize import brentq
from scipy.stats import binom
from stand_in import until
from study_runs import PLAN_TEXT
from textual.events import Key
from textual.keys import _character_to_key
from textual.widgets import Input

from rig.console.dialogs.message import ChoiceDialog
from rig.console.dialogs.new_lot import NewLotDialog
from rig.console.dialogs.note import NoteDialog
from rig.console.widgets.field import Field
from rig.console.widgets.lot_tables import ItemTable
from rig.console.widgets.numerals import Numerals
from rig.console.widgets.oc_view import OcView
from rig.records.lot_model import ItemResult, LotEnd
from rig.records.model import Source
from rig.records.store import Store


@pytest.fixture
def records(tmp_path):
    return tmp_path / "logs" / "records.sqlite"


@pytest.fixture
def console(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", short=PLAN_TEXT)
    return make_console(settings=settings, plan="short")


async def at_lots(pilot):
    await pilot.press("f6")
    await until(pilot, lambda: pilot.app.screen.place == "records")
    await pilot.press("ctrl+l")
    await until(pilot, lambda: pilot.app.screen.place == "lots")
    return pilot.app.screen


async def dialog(pilot, kind):
    await until(pilot, lambda: isinstance(pilot.app.screen, kind))
    await pilot.pause()
    return pilot.app.screen


def type_ahead(console, text):
    """Have keys come as fast as a terminal can send them: nothing is waited for."""
    names = {"\t": "tab", "\r": "enter"}
    for character in text:
        name = names.get(character) or _character_to_key(character)
        console.post_message(Key(name, character))


def words(node):
    return " ".join(shown(node).split())


def test_a_lot_is_opened_tested_and_closed(console, records):
    async def script(pilot):
        screen = await at_lots(pilot)
        await until(pilot, lambda: "N opens one here" in shown(screen))
        # Whoever opens it stands in its report.
        console.desk.choices.operator = ""
        await pilot.press("n")
        await pilot.pause()
        assert screen.is_current
        console.desk.choices.operator = "jo"
        console.desk.choices.plan = ""
        await pilot.press("n")
        opened = await dialog(pilot, NewLotDialog)
        assert opened.query_one("#plan").value == "incoming"
        opened.query_one("#plan").value = "short"
        (box,) = opened.query(".dialog")
        opened.query_one("#aql", Input).value = "7"
        await pilot.press("f9")
        await until(pilot, lambda: "! Give how many units were delivered" in words(opened))
        wrong = [field.id for field in opened.query(Field) if field.has_class("-wrong")]
        assert wrong == ["f-name", "f-supplier", "f-size", "f-aql"]
        assert opened.focused.id == "name"
        # All at once, by a scanner that sends Tab or Enter, or from memory.
        type_ahead(console, "D-1\tAsh Ridge\r\t8")
        await until(pilot, lambda: opened.query_one("#size", Input).value)
        filled = [opened.query_one(f"#{id}", Input).value for id in ("name", "supplier", "size")]
        assert filled == ["D-1", "Ash Ridge", "8"]
        await until(pilot, lambda: "The tables have no AQL of 7 %." in words(opened))
        opened.query_one("#aql", Input).value = "6.5"
        # ISO 2859-1: lots of 2 to 8 at level II are letter A; the cell A/6.5 is n 2, Ac 0.
        await until(pilot, lambda: "Letter A, normal inspection: 2 of 8" in words(opened))
        assert "Ac 0, Re 1" in words(opened)
        assert box.max_scroll_y == 0
        assert box.query_one(".dialog-choices").region.bottom < box.region.bottom <= 24
        await pilot.press("f9")
        await until(pilot, lambda: screen.lot is not None)
        assert screen.query_one("#lot-judged", Numerals).value == "0/2"
        first, second = (item.number for item in screen.lot.sample)
        assert f"Take item {first}:" in shown(screen)
        # F9 tests the unit that the simulated crate has there; the run leads back here.
        await pilot.press("f9")
        await accept(pilot)
        await ended(pilot)
        await until(pilot, lambda: screen.is_current and screen.lot.judged == 1)
        assert f"Take item {second}:" in shown(screen)
        job = console.desk.live.job
        assert (job.plan.name, job.reference, job.source) == ("short", "D-1", Source.DELIVERY_LOT)
        # No unit counts twice.
        console.scanner_s = 0.2
        await scan(pilot, job.unit_serial)
        assert not console.desk.live.on
        assert screen.is_current
        # From an old reading nothing is begun.
        screen.read_again()
        assert "Reading the lot" in shown(screen)
        assert screen.check_action("test", ()) is False
        screen.scanned("AR-0001")
        assert not console.desk.live.on
        await until(pilot, lambda: screen.is_read)
        assert f"Take item {second}:" in shown(screen)
        # What is typed by hand with the focus on the items goes on in the field.
        console.scanner_s = 0.0
        assert isinstance(console.focused, ItemTable)
        for key in ("8", "a", "x"):
            await pilot.press(key)
        assert console.focused is screen.query_one("#lot-serial", Input)
        assert console.focused.value == "8ax"
        console.focused.value = "AR-0002"
        await pilot.press("enter")
        await accept(pilot)
        await ended(pilot)
        await until(pilot, lambda: screen.is_current and screen.lot.judged == 2)
        assert "can be accepted; close it" in words(screen)
        assert screen.query_one("#lot-bad", Numerals).value == "0"
        await pilot.press("c")
        await dialog(pilot, ChoiceDialog)
        await pilot.press("tab", "enter")
        await until(pilot, lambda: screen.is_current and not screen.lot.is_open)
        assert "ACCEPTED." in shown(screen)

    drive(console, script)
    with Store.open(records) as store:
        lot = store.lots.lot("D-1")
        assert (lot.end, lot.closed_by) == (LotEnd.ACCEPTED, "jo")
        assert lot.sample[1].serial == "AR-0002"


def test_a_lot_that_is_refused_an_item_set_aside_and_one_that_cannot_be_tested(console, records):
    with Store.open(records) as store:
        store.lots.open(lot_start("D-0", simulated=True))
        made_up = {"simulated": True, "backend": "simulated"}
        made_run(store, store.lots.lot("D-0"), 3, serial="OLD-1", **made_up)
        store.lots.open(lot_start(simulated=True))
        for number, verdict in ((3, "pass"), (7, "fail"), (12, "fail")):
            made_run(
                store,
                store.lots.lot("D-1"),
                number,
                verdict,
                **made_up,
            )

    async def reason(pilot, text):
        await dialog(pilot, NoteDialog)
        pilot.app.screen.query_one(Input).value = text
        await pilot.press("enter")

    async def script(pilot):
        screen = await at_lots(pilot)
        await until(pilot, lambda: "1 may be nonconforming (Ac 1, Re 2)" in words(screen))
        await pilot.press("enter")
        await until(pilot, lambda: screen.lot is not None)
        assert "NOT ACCEPTABLE. 2 nonconforming items in the sample by now" in words(screen)
        assert "the supplier's average is known better with them" in words(screen)
        assert_curve_is_true(screen.query_one(OcView).text_lines, n=5, ac=1)
        # The cursor is on the next item; two lines up is one that failed.
        await pilot.press("up", "a")
        await reason(pilot, "the clamp was loose")
        await until(pilot, lambda: screen.lot.judged == 2)
        table = screen.query_one(ItemTable)
        item = table.chosen
        assert (item.number, item.runs[0].set_aside) == (12, "the clamp was loose")
        assert table.get_row_at(table.cursor_row)[-1].plain.startswith("1 set aside; to be tested")
        assert "Take item 12:" in shown(screen)
        await pilot.press("x")
        await dialog(pilot, ChoiceDialog)
        await pilot.press("tab", "tab", "enter")
        await reason(pilot, "dropped here")
        await until(pilot, lambda: len(screen.lot.items) == 6)
        lost = next(item for item in screen.lot.items if item.number == 12)
        assert lost.result is ItemResult.REPLACED
        assert screen.lot.items[5].replaces == 12
        # A unit of another lot is tested when it is said why; F9 would begin its run then.
        number = screen.lot.next_item.number
        console.scanner_s = 0.2
        await scan(pilot, "old 1")
        console.scanner_s = 0.0
        title = await dialog(pilot, NoteDialog)
        asked = f"old 1 was item 3 of the lot “D-0” (conforming). Why is it item {number} here?"
        assert asked in words(title)
        await reason(pilot, "came back mended")
        await until(pilot, lambda: screen.is_current and screen.lot.next_item.serial == "old 1")
        assert screen.lot.events[-1].text.endswith("(conforming): came back mended")
        assert screen.query_one("#lot-serial", Input).value == "old 1"
        # It is not closed before its sample says something.
        await pilot.press("c")
        await pilot.pause()
        assert screen.is_current
        assert screen.lot.is_open
        assert "F12 Feeds off" in screen_rows(pilot.app)[-1]
        await pilot.press("escape")
        await until(pilot, lambda: screen.lot is None)
        await pilot.press("escape")
        await until(pilot, lambda: pilot.app.screen.place == "records")

    drive(console, script)


def assert_curve_is_true(lines, n, ac):
    """The mark at 50 % lies where SciPy's binomial has it, to the width of a cell."""
    (row,) = [line for line in lines if "50 % at" in line]
    axis = lines[-2]
    ticks = [at for at, sign in enumerate(axis) if sign == "┬"]
    texts = [part for part in lines[-1].split() if part != "%"]
    a_cell = (float(texts[-1]) - float(texts[0])) / (ticks[-1] - ticks[0])
    truth = 100 * brentq(lambda share: binom.cdf(ac, n, share) - 0.5, 0.0, 1.0)
    assert abs((row.index("o") - ticks[0]) * a_cell - truth) <= a_cell
    assert f"50 % at {truth:.3g}" in row
