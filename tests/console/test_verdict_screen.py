"""The Verdict screen: a run's verdict, its reasons and traces, and what can be done then."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest
from bench_runs import make_plan
from console_runs import by_hand_order, ended, run_order, running, screen_rows, screen_text
from recorded import end_otherwise, library
from stand_in import rested, until
from textual.widgets import Input, Static

from rig.bench.commands import Hold
from rig.console.dialogs.note import NoteDialog
from rig.console.records_reader import RecordsReader
from rig.console.trace_picture import Picture
from rig.console.widgets.reason_list import ReasonList
from rig.console.widgets.run_trace import RunTrace
from rig.console.widgets.trace import TraceView
from rig.records.model import RunState, Source
from rig.records.store import Store

SMALL = (80, 24)


@pytest.fixture
def lib(tmp_path):
    return library(tmp_path)


async def opened(pilot, run_id):
    """Open a run's verdict and wait for its trace."""
    app = pilot.app
    verdict = app.get_screen("verdict")
    verdict.show_run(run_id)
    app.go("verdict")
    await until(pilot, lambda: verdict.view is not None and verdict.view.run_id == run_id)
    await until(pilot, lambda: verdict.query_one(RunTrace).query_one(Static).content != "")
    return verdict


def sentence(verdict):
    return str(verdict.query_one("#sentence", Static).content)


def title(verdict):
    return str(verdict.query_one(RunTrace).query_one(Static).content)


def drawn(verdict):
    return "\n".join(verdict.query_one(TraceView).text_lines)


def said(app):
    """What was told in passing, newest last."""
    return [notification.message for notification in app._notifications]


async def walk_to(pilot, verdict, title_part, sentence_part=""):
    """Go down the reasons until the trace of one is shown."""
    for _ in range(30):
        await pilot.press("down")
        if sentence_part in sentence(verdict):
            break
    await until(pilot, lambda: title_part in title(verdict))


async def test_before_any_run_and_while_one_is_on_it_says_what_to_do(make_console):
    console = make_console(until_s=0.0)
    async with console.run_test(size=SMALL) as pilot:
        await pilot.press("f5")
        text = screen_text(console)
        assert "No run has been made since the console was opened." in text
        assert "Choose unit and plan on Bench (F2)" in text
        await pilot.press(*"nthup")
        assert console.screen.place == "verdict"  # there is nothing yet to do it with
        await pilot.press("f3")
        await running(pilot, at_s=2.0)
        await pilot.press("f5")
        assert "A run is on. Its verdict comes here by itself" in screen_text(console)
        await pilot.press("f12")
        await ended(pilot)
        text = screen_text(console)
        assert "RETEST" in text
        assert "stopped in step 1 of 1" in text


async def test_a_verdict_comes_by_itself_and_the_unit_is_tested_again_and_by_hand(make_console):
    console = make_console()
    async with console.run_test(size=SMALL) as pilot:
        await pilot.press("f3")
        job = run_order(console, make_plan())
        await running(pilot, job)
        await ended(pilot)
        verdict = console.get_screen("verdict")
        await until(pilot, lambda: "Half-turn 1 (to run)" in title(verdict))
        assert console.screen is verdict
        text = screen_text(console)
        assert "PASS LM-12-0288 keeps every limit that was judged" in text
        assert "pass 1 to run half-turn time 0.7" in text
        assert "limit 1.18 s" in drawn(verdict)
        assert "finished · feeds off · SIMULATED" in text
        first = console.desk.live.ended.run_id
        await until(pilot, lambda: console.desk.ready)
        await pilot.press("t")
        assert console.desk.live.job == job
        await ended(pilot)
        second = console.desk.live.ended.run_id
        assert second != first
        await until(pilot, lambda: verdict.view is not None and verdict.view.run_id == second)
        assert console.screen is verdict

        await until(pilot, lambda: console.desk.ready)
        bench = await running(pilot, by_hand_order(console), at_s=3.0)
        console.desk.tell(Hold(battery=True, ignition=True, lease_s=1.0))
        bench.advance(0.9)
        await rested(pilot, bench)
        bench.advance(3.0)
        await rested(pilot, bench)
        console.desk.feeds_off("done")
        await ended(pilot)
        await pilot.press("f5")
        await until(pilot, lambda: "worked by hand: measured, not judged" in screen_text(console))
        assert "1 to run parked" in screen_text(console)


async def test_each_reason_is_told_with_value_limit_half_turn_and_its_trace(make_console, lib):
    path, ids = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        verdict = await opened(pilot, ids["slow"])
        text = screen_text(console)
        assert "FAIL LM-12-0288 fails on 8 counts" in text
        assert "fail 1 to run half-turn time 1.468 s ± 0.004 s at most 1.20 s" in text
        assert sentence(verdict).startswith("Half-turn 1 (to run) took 1.468 s ± 0.004 s")
        assert "parked too late" in drawn(verdict)
        assert "limit 1.20 s" in drawn(verdict)
        assert not verdict.query_one(ReasonList).show_horizontal_scrollbar

        await pilot.press("down", "down")
        await until(pilot, lambda: "Half-turn 2 (to stop)" in title(verdict))
        assert sentence(verdict).startswith("Half-turn 2 (to stop) took 1.468 s")
        verdict.query_one(RunTrace).post_message(RunTrace.Pictured(0, Picture("too late")))
        await pilot.pause()
        assert "Half-turn 2 (to stop)" in title(verdict)  # an older answer is not drawn

        await pilot.press("h", "down")
        await until(pilot, lambda: "3.0" not in title(verdict) and "to stop" in title(verdict))
        assert "2 to stop slow 1.468 s ± 0.004 s" in screen_text(console)
        await pilot.press("h")
        assert "allowed" in screen_text(console)

        await opened(pilot, ids["jammed"])
        await until(pilot, lambda: "stands still" in drawn(verdict))
        await opened(pilot, ids["short"])
        await until(pilot, lambda: "cut off at 100 deg" in drawn(verdict))

        verdict = await opened(pilot, ids["no_feed"])
        said = "RETEST LM-12-0293 is neither passed nor failed: 5 doubts to clear"
        assert said in screen_text(console)
        todo = "\nNext: Check the rig's fuse, supply and wiring, then test again."
        assert todo in sentence(verdict)

        verdict = await opened(pilot, ids["leaking"])
        await walk_to(pilot, verdict, "Rest draw", "The rest draw is 0.314 A")
        assert "at rest 0.050 A" in drawn(verdict)
        assert "own rebuild J-1391 · by jo · station A" in screen_text(console)
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        text = screen_text(console)
        for fact in ("Operator jo", "Station A", "State finished, feeds read back off"):
            assert fact in text
        assert "Bench SIMULATED: simulated, seed 1," in text
        assert not verdict.query_one(ReasonList).show_horizontal_scrollbar


async def test_a_note_is_typed_kept_and_shown_and_never_lost(make_console, lib):
    path, ids = lib
    console = make_console(records=path)
    console.desk.reading = RecordsReader(path, wait_s=0.05)
    async with console.run_test(size=SMALL) as pilot:
        verdict = await opened(pilot, ids["slow"])
        await pilot.press("n", "enter")
        assert "Nothing is typed yet" in screen_text(console)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            await pilot.press(*"dry", "enter")
            await until(pilot, lambda: "The note is not kept." in screen_text(console))
            assert "another program has locked it. Close that program" in trouble(console)
            assert console.screen.query_one(Input).value == "dry"
            await pilot.press("escape")
            assert console.screen is verdict
        await pilot.press("n")
        assert isinstance(console.screen, NoteDialog)
        assert console.screen.query_one(Input).value == "dry"  # not lost by leaving
        await pilot.press("enter")
        await until(pilot, lambda: console.screen is verdict)
        assert "dry" in screen_rows(console)[-2]
        await pilot.press("n")
        assert console.screen.query_one(Input).value == ""
        assert "dry" in screen_text(console)  # what was noted before
        await pilot.press(*"worn")
        await pilot.click("#note-keep")
        await until(pilot, lambda: console.screen is verdict)
        assert "2 notes, newest" in screen_text(console)
    with Store.open(path) as store:
        notes = [event.text for event in store.run(ids["slow"]).events if event.kind == "note"]
    assert notes == ["dry", "worn"]


def trouble(console):
    return str(console.screen.query_one("#note-trouble", Static).content)


async def test_what_else_can_be_done_with_a_run_of_the_record(make_console, lib):
    path, ids = lib
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        await opened(pilot, ids["slow"])
        await pilot.press("p")
        short = str(ids["slow"])[:8]
        await until(pilot, lambda: f"`halfturn sheet make {short}`" in said(console)[-1])

        printed = []
        console.print_sheet = lambda run_id: printed.append(run_id) or "It is on the tray."
        await pilot.press("p")
        await until(pilot, lambda: said(console)[-1:] == ["It is on the tray."])
        assert printed == [ids["slow"]]

        def jams(run_id):
            raise OSError("no paper")

        console.print_sheet = jams
        await pilot.press("p")
        await until(pilot, lambda: "could not be printed: no paper" in said(console)[-1])

        await pilot.press("u")
        await until(pilot, lambda: "LM-12-0288 (LM-12), 4 runs" in screen_text(console))
        assert console.screen.place == "records"

        await opened(pilot, ids["jammed"])
        await pilot.press("t")
        await until(pilot, lambda: console.screen.place == "bench")
        choices = console.desk.choices
        assert (choices.serial, choices.reference) == ("LM-12-0290", "L-2209")
        assert (choices.source, choices.plan) == (Source.DELIVERY_LOT, "incoming")
        assert choices.operator == "jo"  # who tests today, not who tested then
        await until(pilot, lambda: "LM-12-0290" in screen_text(console))


UNJUDGED = {
    RunState.INTERRUPTED: ("was not judged: the run was interrupted", "feeds NOT read back off"),
    RunState.STOPPED: ("was not judged: the run was stopped by", "feeds NOT read back off"),
    RunState.FINISHED: ("was not judged", "finished · feeds off"),
    RunState.RUNNING: ("is still on the bench, or its program has died", "feeds not known"),
}


async def test_a_run_without_a_verdict_has_words_of_its_own(make_console, lib):
    path, ids = lib
    runs = {state: end_otherwise(path, ids["new"], state, note="No power.") for state in UNJUDGED}
    with Store.open(path) as store:
        bare = store.begin_run(store.run(ids["new"]).start)
    console = make_console(records=path)
    async with console.run_test(size=SMALL) as pilot:
        for state, (words, feeds) in UNJUDGED.items():
            verdict = await opened(pilot, runs[state])
            text = screen_text(console)
            assert f"NO VERDICT LM-12-0288 {words}" in text
            assert feeds in text
            assert "1 to run parked" in text  # its half-turns are shown instead of reasons
        verdict.show_run(bare)
        await until(pilot, lambda: verdict.view is not None and verdict.view.run_id == bare)
        assert "Nothing was measured." in screen_text(console)
        assert "No half-turn was made." in screen_text(console)
        # Words of a newer program: told as not known, and the others are in the list as ever.
        with closing(sqlite3.connect(path, isolation_level=None)) as newer:
            for table in ("runs", "reasons"):
                newer.execute(f"UPDATE {table} SET verdict = 'halfway' WHERE verdict = 'fail'")
            newer.execute("UPDATE runs SET source = 'river'")
        await opened(pilot, ids["slow"])
        text = screen_text(console)
        assert "NOT KNOWN LM-12-0288 has a verdict that this program does not know" in text
        assert "not known J-1391 · by jo" in text
        await pilot.press("t")
        await until(pilot, lambda: console.screen.place == "bench")
        assert console.desk.choices.source is Source.NOT_TOLD  # as it was
        await pilot.press("f6")
        await until(pilot, lambda: "NOT KNOWN SIM" in screen_text(console))
        assert "PASS SIM" in screen_text(console)
        await pilot.press("u")
        await until(pilot, lambda: "LM-12-" in screen_text(console))


async def test_a_record_that_cannot_be_read_is_told(make_console, lib):
    console = make_console()
    async with console.run_test(size=SMALL) as pilot:
        console.desk.reading = RecordsReader(console.desk.records.parent / "gone.sqlite")
        console.get_screen("verdict").show_run(lib[1]["slow"])
        await pilot.press("f5")
        await until(pilot, lambda: "This run cannot be shown." in screen_text(console))
        assert "No run has been recorded yet" in screen_text(console)

        await running(pilot, run_order(console, make_plan()))
        await ended(pilot)
        await until(pilot, lambda: "PASS LM-12-0288 keeps every limit" in screen_text(console))
        await until(pilot, lambda: "No run has been recorded yet" in screen_text(console))
