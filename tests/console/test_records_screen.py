"""The Records screen: the search, a unit's history, two runs laid over each other."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest
from bench_runs import make_plan
from console_runs import ended, run_order, running, screen_rows, screen_text
from recorded import copy_runs, end_otherwise, library
from stand_in import until
from textual.widgets import Input, Select, Static

from rig.console.records_reader import NO_RECORDS, RecordsReader
from rig.console.screens.overlay import OverlayPane
from rig.console.screens.search import SearchPane
from rig.console.widgets.change_table import ChangeTable
from rig.console.widgets.history_table import HistoryTable
from rig.console.widgets.run_table import RunTable
from rig.console.widgets.trace import TraceView
from rig.console.widgets.trend import TrendView
from rig.records.model import RunsFound, RunState
from rig.records.store import Store

SMALL, LARGE = (80, 24), (120, 40)


@pytest.fixture
def lib(tmp_path):
    return library(tmp_path)


async def at_records(pilot, count):
    """Go to the records and wait for so many runs."""
    await pilot.press("f6")
    await until(pilot, lambda: found(pilot) == count)
    return pilot.app.screen


def found(pilot):
    """How many runs are in the list."""
    return len(pilot.app.get_screen("records").query_one(RunTable).runs)


def serials(pilot):
    runs = pilot.app.get_screen("records").query_one(RunTable).runs
    return [run.unit_serial[-4:] for run in runs]


def note(pilot, name="found-note"):
    return str(pilot.app.get_screen("records").query_one(f"#{name}", Static).content)


def trouble(pilot):
    return str(pilot.app.screen.query_one(".trouble", Static).content)


def said(app):
    return [notification.message for notification in app._notifications]


async def typed(pilot, field, text):
    """Fill a search field anew; the keys themselves are pressed elsewhere."""
    pilot.app.screen.query_one(f"#search-{field}", Input).value = text
    await pilot.pause()


async def test_runs_are_found_while_typing(make_console, lib):
    path, _ = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        records = await at_records(pilot, 8)
        table = records.query_one(RunTable)
        assert serials(pilot) == ["0293", "0292", "0291", "0290", *["0288"] * 4]
        assert note(pilot) == "8 runs, newest first"
        assert not table.show_horizontal_scrollbar
        assert "2026-09-23 10:05" in screen_text(console)
        assert "incoming L-2209 RETEST SIM" in screen_text(console)
        pane = console.screen.query_one(SearchPane)
        pane.post_message(SearchPane.Found(0, 0, RunsFound((), 0)))
        await pilot.pause()
        assert found(pilot) == 8  # an answer that is no longer wanted is dropped

        await pilot.press(*"-029")  # the unit's field has the focus at first
        await until(pilot, lambda: found(pilot) == 4)
        await pilot.press("tab", *"LOT")
        await until(pilot, lambda: found(pilot) == 4)
        await pilot.press(*"x")
        await until(pilot, lambda: found(pilot) == 0)
        assert "No run matches." in screen_text(console)
        await pilot.press("enter")
        assert isinstance(console.focused, Input)  # there is no list to go to
        await pilot.press("end", "ctrl+u", "tab", *"INC")
        await until(pilot, lambda: found(pilot) == 4)
        await typed(pilot, "unit", "")
        await typed(pilot, "plan", "sus")
        await until(pilot, lambda: serials(pilot) == ["0288"])
        assert note(pilot) == "1 run, newest first"
        await typed(pilot, "plan", "")

        records.query_one("#verdict", Select).value = "fail"
        await until(pilot, lambda: serials(pilot) == ["0292", "0291", "0290", "0288", "0288"])
        records.query_one("#verdict", Select).value = ""
        await typed(pilot, "since", "2026-09-22")
        await until(pilot, lambda: found(pilot) == 5)
        await typed(pilot, "until", "2026-09-22")
        await until(pilot, lambda: found(pilot) == 1)
        assert trouble(pilot) == ""


async def test_a_wrong_day_is_told_at_its_field_and_not_used(make_console, lib):
    path, _ = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        await at_records(pilot, 8)
        await typed(pilot, "since", "2026-09")
        await until(pilot, lambda: "From: The date is not whole yet" in trouble(pilot))
        await typed(pilot, "since", "2026-13-45")
        await until(pilot, lambda: "From: “2026-13-45” is not a date" in trouble(pilot))
        assert "write it as 2026-11-25" in screen_text(console)
        assert found(pilot) == 8
        await typed(pilot, "until", "yesterday")
        await until(pilot, lambda: "To: “yesterday” is not a date" in trouble(pilot))
        assert "From:" in trouble(pilot)
        await typed(pilot, "since", "2026-09-23")
        await typed(pilot, "until", "2026-09-22")
        await until(pilot, lambda: "lies before the first" in trouble(pilot))
        assert found(pilot) == 0
        for field, odd in (("unit", "%'; DROP"), ("job", '"_\\'), ("plan", "[red]x[/]")):
            await typed(pilot, field, odd)  # nothing here is wrong, it is only not there
        await until(pilot, lambda: "No run matches." in screen_text(console))
        await pilot.press("escape")  # there is no list; letters stay letters
        await typed(pilot, "unit", "")
        await pilot.press(*"mo/c")
        assert console.screen.query_one("#search-unit", Input).value == "mo/c"


async def test_a_run_is_opened_by_keyboard_and_by_mouse(make_console, lib):
    path, ids = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        await at_records(pilot, 8)
        verdict = console.get_screen("verdict")
        await pilot.press(*"0288", "enter")  # as a scanner types it
        await until(pilot, lambda: isinstance(console.focused, RunTable))
        assert found(pilot) == 4
        await pilot.press("down", "enter")
        await until(pilot, lambda: verdict.view is not None)
        assert verdict.view.run_id == ids["leaking"]
        assert console.screen is verdict
        await pilot.press("f6")
        assert found(pilot) == 4  # the search is as it was left
        await until(pilot, lambda: console.screen.query_one(RunTable).cursor_row == 1)
        offset = (10, 3)  # the table's third run, under its head
        await pilot.click(RunTable, offset=offset)
        assert console.screen.place == "records"
        assert console.screen.query_one(RunTable).cursor_row == 2
        await pilot.click(RunTable, offset=offset)
        await until(pilot, lambda: verdict.view is not None and verdict.view.run_id == ids["slow"])


async def test_thousands_of_runs_come_page_by_page(make_console, lib):
    path, ids = lib
    copy_runs(path, 2990)
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        records = await at_records(pilot, 100)
        assert note(pilot) == "the newest 100 of 2998 runs; go on down, or press n, for more"
        records.query_one(RunTable).focus()
        await pilot.pause()
        keys = screen_rows(console)[-1]
        assert "N More" in keys
        assert keys.rstrip().endswith("F1 Help")  # every key fits
        await pilot.press("end")
        await until(pilot, lambda: found(pilot) == 200)
        await pilot.press("n")
        await until(pilot, lambda: found(pilot) == 300)
        runs = records.query_one(RunTable).runs
        assert len({run.run_id for run in runs}) == 300
        assert [run.started_at for run in runs] == sorted(
            (run.started_at for run in runs), reverse=True
        )
        # The list keeps its place while a run is looked at, though another has come since.
        table = records.query_one(RunTable)
        table.move_cursor(row=200)
        await pilot.press("enter")
        await until(pilot, lambda: console.screen.place == "verdict")
        end_otherwise(path, ids["new"], RunState.STOPPED, started_at=datetime.now(UTC))
        await pilot.press("f6")
        await until(pilot, lambda: table.runs[0].run_id != runs[0].run_id)
        assert table.chosen == runs[200]
        assert found(pilot) >= 300
        await until(pilot, lambda: 0 < table.cursor_row - table.scroll_y < table.size.height)
        await typed(pilot, "unit", "0291")
        await until(pilot, lambda: found(pilot) == 1)
        await typed(pilot, "unit", "")
        await until(pilot, lambda: found(pilot) == 100)  # another search begins at the newest
        await typed(pilot, "unit", "0291")
        await until(pilot, lambda: found(pilot) == 1)
        assert "More" not in screen_rows(console)[-1]


async def test_records_that_are_not_there_or_cannot_be_read_are_told(make_console, tmp_path):
    path = tmp_path / "mine" / "records.sqlite"
    path.parent.mkdir()
    console = make_console(records=path)
    console.desk.reading = RecordsReader(path, wait_s=0.05)

    async def shows(pilot, text):
        await pilot.press("f5", "f6")
        await until(pilot, lambda: text in note(pilot, "nothing-found"))
        assert " ".join(note(pilot, "nothing-found").split())[:60] in screen_text(console)

    async with console.run_test(size=SMALL) as pilot:
        await shows(pilot, NO_RECORDS)
        await running(pilot, run_order(console, make_plan()))
        await ended(pilot)
        await at_records(pilot, 1)  # a run is in the list when it has ended
        assert "LM-12-0288 test" in screen_text(console)
        console.desk.reading.close()
        path.write_text("dear diary")
        await shows(pilot, "is not a records database. Choose another records file")
        path.unlink()
        Store.open(path).close()
        await shows(pilot, "The records file holds no run yet. Make one on Bench (F2).")
        console.desk.reading.close()
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("PRAGMA journal_mode = DELETE")
            other.execute("BEGIN EXCLUSIVE")
            await shows(pilot, "another program has locked it. Close that program and try again")
        path.unlink()
        library(path.parent)
        await pilot.press("f5", "f6")
        await until(pilot, lambda: found(pilot) == 8)


async def test_a_units_history_is_a_list_and_a_trend(make_console, lib):
    path, ids = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        records = await at_records(pilot, 8)
        await pilot.press(*"0288", "enter")
        await until(pilot, lambda: isinstance(console.focused, RunTable))
        await pilot.press("down", "u")
        table, trend = records.query_one(HistoryTable), records.query_one(TrendView)
        await until(pilot, lambda: table.row_count == 4)
        text = screen_text(console)
        assert "LM-12-0288 (LM-12), 4 runs" in text
        assert "2 2026-09-14 10:05 suspect J-1391 FAIL 1.47" in text
        assert table.chosen.run_id == ids["leaking"]  # where it was come from
        drawing = "\n".join(trend.text_lines)
        assert "Half-turn time to run, s" in drawing
        assert "limit 1.18 s" in drawing
        assert drawing[drawing.index("\n") :].count("X") == 2
        assert not table.show_horizontal_scrollbar
        await pilot.resize_terminal(*LARGE)
        await pilot.pause()
        assert table.chosen.run_id == ids["leaking"]
        assert not table.show_horizontal_scrollbar

        await pilot.press("v", "v", "v", "v")
        await until(pilot, lambda: "Rest draw, A" in "\n".join(trend.text_lines))
        assert "3 2026-09-21 09:05 qualify J-1391 FAIL 0.314 A ± 0.013 A" in screen_text(console)
        records.query_one("#trend-measure", Select).value = "winding"
        await until(
            pilot, lambda: "has measured the winding resistance" in "\n".join(trend.text_lines)
        )

        await pilot.press("enter")
        verdict = console.get_screen("verdict")
        await until(pilot, lambda: verdict.view is not None)
        assert verdict.view.run_id == ids["leaking"]
        await pilot.press("f6", "escape")
        assert isinstance(console.focused, RunTable)
        assert found(pilot) == 4


async def test_two_runs_are_laid_over_each_other(make_console, lib):
    path, _ = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        records = await at_records(pilot, 8)
        await pilot.press(*"0288", "enter")
        await until(pilot, lambda: isinstance(console.focused, RunTable))
        await pilot.press("o")
        assert "Mark the first run with M" in said(console)[-1]
        await pilot.press("m")
        assert "» marked: LM-12-0288 of 2026-09-22 15:05, PASS." in screen_text(console)
        assert "» 2026-09-22 15:05" in screen_text(console)
        await pilot.press("o")
        assert "This is the marked run itself." in said(console)[-1]
        await pilot.press("m")
        assert "» marked" not in screen_text(console)
        await pilot.press("m", "u")
        history = records.query_one(HistoryTable)
        await until(pilot, lambda: history.row_count == 4)
        assert "» 4" in screen_text(console)
        await pilot.press("down", "down", "o")

        pane, changes = records.query_one(OverlayPane), records.query_one(ChangeTable)
        trace = records.query_one(TraceView)
        await until(pilot, lambda: changes.row_count > 0)
        await until(pilot, lambda: "limit 1.18 s" in "\n".join(trace.text_lines))
        text = screen_text(console)
        assert "before ╌╌╌ LM-12-0288 2026-09-14 10:05 suspect J-1391 FAIL, SIMULATED" in text
        assert "after ─── LM-12-0288 2026-09-22 15:05 qualify J-1391 PASS, SIMULATED" in text
        assert "1st half-turn to run · Half-turns · 1 of 4" in text
        legend = trace.text_lines[0]
        assert "before, 2026-09-14" in legend
        assert "after, 2026-09-22" in legend
        assert "half-turn time 1.468 s ± 0.004 s 0.702 s ± 0.004 s -0.766 s" in text
        assert "0.000 A ± 0.012 A 0.000 A ± 0.012 A" in text
        assert "within U" in text
        assert not changes.show_horizontal_scrollbar

        await pilot.press("right", "right", "right")
        assert "2nd half-turn to stop · Half-turns · 4 of 4" in screen_text(console)
        await pilot.press("right", "left")
        assert "4 of 4" in screen_text(console)
        made = OverlayPane.Drawn(0, None)  # an answer to an older question is not drawn
        pane.post_message(made)
        await pilot.press("escape")
        assert console.focused is history
        await pilot.press("escape")
        assert isinstance(console.focused, RunTable)


async def test_other_units_and_runs_that_came_to_nothing_are_told(make_console, lib):
    path, ids = lib
    with Store.open(path) as store:
        start = store.run(ids["new"]).start
        store.begin_run(start)
    end_otherwise(path, ids["new"], RunState.INTERRUPTED, unit_serial="LM-12-0300")
    console = make_console(records=path)
    async with console.run_test(size=LARGE) as pilot:
        records = await at_records(pilot, 10)
        assert not records.query_one(RunTable).show_horizontal_scrollbar
        assert "operator" in screen_text(console)
        table = records.query_one(RunTable)
        table.focus()
        bare = next(k for k, run in enumerate(table.runs) if run.state is RunState.RUNNING)
        slow = [run.run_id for run in table.runs].index(ids["slow"])
        await pilot.press("m")
        table.move_cursor(row=slow)
        await pilot.press("o")
        await until(pilot, lambda: "NOT THE SAME UNIT" in screen_text(console))
        await pilot.press("escape")
        await until(pilot, lambda: console.focused is table)
        table.move_cursor(row=bare)
        await pilot.press("o")
        trace = records.query_one(TraceView)
        await until(pilot, lambda: "no half-turn in common" in "\n".join(trace.text_lines))
        await pilot.press("escape")
        records.query_one("#verdict", Select).value = "none"
        await until(pilot, lambda: found(pilot) == 2)
        assert "LM-12-0300 qualify J-1207 interrupted SIMULATED jo" in screen_text(console)
        await pilot.resize_terminal(*SMALL)
        await pilot.pause()
        assert not table.show_horizontal_scrollbar
        assert "LM-12-0300 qualify J-1207 interrupted SIM" in screen_text(console)
