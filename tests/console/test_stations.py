"""The console at a rig of several stations: whose question, whose answer, whose feeds."""

from __future__ import annotations

import pytest
from bench_runs import HALF_TURNS, make_plan
from console_pilot import scan, shown
from console_runs import screen_rows, screen_text
from scripted_bench import ScriptedBench
from several import Stations, several_stations
from stand_in import rested, until
from textual.widgets import Input

from rig.analysis.model import Judgement, Verdict
from rig.bench.commands import Hold, Stop
from rig.bench.events import Noted, RunEnded
from rig.bench.order import ByHandOrder, RigCheckOrder, RunOrder
from rig.console.dialogs.actions import ActionsPalette
from rig.console.dialogs.ask import AskDialog
from rig.console.dialogs.message import ChoiceDialog, MessageDialog
from rig.console.live_job import Phase
from rig.console.screen import DeskScreen
from rig.console.station_glance import Glance, glance
from rig.console.widgets.stations_line import StationsLine
from rig.records.model import RunState

PLAN = make_plan(HALF_TURNS)
FAILED = Judgement(Verdict.FAIL)


@pytest.fixture
def stations(tmp_path):
    """Two stations with scripted benches, on a clock that stands still."""
    made = Stations(
        several_stations(2), tmp_path, open_bench=lambda _: ScriptedBench(), now_s=lambda: 1000.0
    )
    yield made
    made.close()


def at_work(stations, *names, kind=RunOrder):
    """Have a run on at each of these stations, sampled once; return their benches."""
    benches = []
    for name in names:
        desk = stations.desk(name)
        assert desk.begin(stations.order(name, PLAN, kind)), desk.bench_error
        bench = stations.bench[name]
        bench.begin_run()
        bench.begin_step(1)
        bench.feed()
        desk.poll()
        benches.append(bench)
    return benches


def begun(stations, *names, kind=RunOrder):
    """Have a run on at each of these stations, and the console see it; return their benches."""
    benches = at_work(stations, *names, kind=kind)
    stations.console.pump()
    return benches


def looks(bench, check="housing"):
    bench.ask("inspect", "Look.", ("ok", "fault", "cannot"), check=check)


def title(console):
    return str(console.screen.query_one("#ask-title").render())


async def at(pilot, place):
    pilot.app.go(place)
    await until(pilot, lambda: getattr(pilot.app.screen, "place", "") == place)


async def asked(pilot, station):
    """Wait until the question of ``station`` is on the screen."""

    def is_up():
        screen = pilot.app.screen
        return isinstance(screen, AskDialog) and screen.is_mounted and screen.query("#ask-title")

    await until(pilot, is_up)
    assert f"Station {station} · Visual check" in title(pilot.app)


def said(console):
    """Return what is said by the way now."""
    return " ".join(note.message for note in console._notifications)


def head(console):
    """Return what the row of all stations shows."""
    return screen_rows(console)[0]


# --- questions -----------------------------------------------------------------------------------


async def test_a_question_of_another_station_comes_up_and_its_answer_goes_there(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        await at(pilot, "live")
        looks(b)
        await asked(pilot, "B")
        assert "LM-12-0418" in title(console)
        assert "B: feeds are off" in shown(console.screen)
        assert " ASKS " in head(console)
        await pilot.press("o")
        await until(pilot, lambda: b.answers)
        assert (a.answers, b.answers) == ([], ["ok"])
        assert console.desk is stations.desk("A")  # still there, where the operator was
        # Both ask: one after the other, each with its own answer.
        looks(a)
        looks(b, check="lever_free")
        await asked(pilot, "A")
        await pilot.press("f")
        await until(pilot, lambda: a.answers)
        await asked(pilot, "B")
        await pilot.press("c")
        await until(pilot, lambda: len(b.answers) == 2)
        assert (a.answers, b.answers) == (["fault"], ["ok", "cannot"])
        # One that is void goes, whichever station is chosen.
        looks(b)
        await asked(pilot, "B")
        b.end_run()
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        assert len(b.answers) == 2


async def test_what_is_typed_for_one_station_never_answers_another(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: console.focused is not None and console.focused.id == "serial")
        (b,) = begun(stations, "B")
        looks(b)
        await until(pilot, lambda: "ASKS" in head(console))
        await pilot.press(*"fco")
        assert console.desk.choices.serial == "fco"
        assert b.answers == []
        assert isinstance(console.screen, DeskScreen)
        # Choosing the station is what brings its question up.
        await pilot.press("ctrl+n")
        await asked(pilot, "B")
        await pilot.press("o")
        await until(pilot, lambda: b.answers == ["ok"])


async def test_a_question_turned_away_from_waits_and_comes_up_again(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        await at(pilot, "live")
        looks(a)
        await asked(pilot, "A")
        await pilot.press("ctrl+n")
        await until(pilot, lambda: console.desk is stations.desk("B"))
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        for _ in range(3):
            console.pump()
            await pilot.pause()
        assert isinstance(console.screen, DeskScreen)  # it does not come after the operator
        assert console.screen.desk is stations.desk("B")
        assert "ASKS" in head(console)
        await pilot.press("ctrl+n")
        await asked(pilot, "A")
        # So it does on the way to all stations, until its own is chosen anew or opened.
        for come_back in (("right", "left"), ("enter",)):
            await pilot.press("f10")
            await until(pilot, lambda: getattr(console.screen, "place", "") == "stations")
            for _ in range(3):
                console.pump()
                await pilot.pause()
            assert isinstance(console.screen, DeskScreen)
            await pilot.press(*come_back)
            await asked(pilot, "A")
        await pilot.press("o")
        await until(pilot, lambda: a.answers == ["ok"])
        assert b.answers == []


# --- feeds off -----------------------------------------------------------------------------------


def stops(bench):
    return [told for told in bench.told if isinstance(told, Stop)]


async def test_the_feeds_off_key_takes_all_stations_off_and_the_stop_key_one(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        await at(pilot, "live")
        await pilot.press("ctrl+e")
        await until(pilot, lambda: "Station A: feeds off" in said(console))
        assert (len(stops(a)), len(stops(b))) == (1, 0)
        assert Hold(battery=False, ignition=False) in a.told
        looks(b)  # from a dialog of the other station
        await asked(pilot, "B")
        await pilot.press("f12")
        await until(pilot, lambda: "Feeds off at both stations" in said(console))
        assert (len(stops(a)), len(stops(b))) == (2, 1)
        assert "stations A and B end here" in said(console)


async def test_the_stop_key_works_in_every_field_and_dialog(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        told = {"A": 0, "B": 0}

        async def stopped(station):
            await pilot.press("ctrl+e")
            told[station] += 1
            assert {"A": len(stops(a)), "B": len(stops(b))} == told, console.screen

        fields = 0
        for place in ("by_hand", "records", "lots"):
            await at(pilot, place)
            await stopped("A")
            for field in console.screen.query(Input):
                field.focus()
                await pilot.pause()
                if console.focused is field:
                    fields += 1
                    await stopped("A")
        assert fields >= 2
        await pilot.press("f1")
        await stopped("A")
        await pilot.press("escape", "ctrl+p")
        await until(pilot, lambda: isinstance(console.screen, ActionsPalette))
        await stopped("A")
        await until(pilot, lambda: "Station A: feeds off" in said(console))
        console.push_screen(MessageDialog("Mind", "Somebody has to know."))
        await until(pilot, lambda: isinstance(console.screen, MessageDialog))
        await stopped("A")
        await pilot.press("escape")
        await at(pilot, "live")
        looks(b)
        await asked(pilot, "B")
        await stopped("B")
        console.screen.query_one("#note", Input).focus()
        await pilot.press("o", "i", "l")
        await stopped("B")  # though A is the station that is chosen
        await pilot.press("escape", "f1")
        await until(pilot, lambda: isinstance(console.screen, MessageDialog))
        await stopped("B")  # and in what is told of the question
        await pilot.press("escape")
        b.end_run()
        a.end_run()
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        await at(pilot, "records")
        field = console.screen.query(Input).first()
        field.focus()
        await pilot.press(*"LM", "home", "ctrl+e", "x")
        assert field.value == "LMx", "with no job on it goes to the end of the line"


async def test_the_feeds_off_key_works_for_a_station_that_is_not_shown(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        for place in ("stations", "records", "by_hand", "world"):
            (b,) = begun(stations, "B")
            await at(pilot, place)
            await pilot.press("f12")
            assert "The job at station B ends here." in said(console)
            assert len(stops(b)) == 1
            b.end_run()
            b.alive = False
            await until(pilot, lambda: stations.desk("B").bench is not b)  # noqa: B023


async def test_a_stop_that_is_not_confirmed_names_its_station(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        begun(stations, "A", "B")
        stations.bench["A"].end_run()
        await until(pilot, lambda: not stations.desk("A").live.on)
        await pilot.press("f12")
        stations.desk("B")._now_s = lambda: 1060.0
        await until(pilot, lambda: "not confirmed at station B" in screen_text(console))
        assert glance(stations.desk("B")).needs


async def test_a_feed_held_by_hand_is_let_go_when_another_station_is_chosen(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        (a,) = begun(stations, "A", kind=ByHandOrder)
        a.say(Noted("ready", "Ready.", 1000.0))
        await at(pilot, "by_hand")
        await until(pilot, lambda: console.screen.can_feed)
        screen = console.screen
        await pilot.press("space")
        assert screen.held.holds
        await pilot.press("ctrl+n")
        await until(pilot, lambda: console.desk is stations.desk("B"))
        await until(pilot, lambda: not screen.held.holds)
        assert a.told[-1] == Hold(battery=False, ignition=False)
        assert not [told for told in stations.bench["B"].told if isinstance(told, Hold)]


# --- nothing hides -------------------------------------------------------------------------------


async def test_a_trip_elsewhere_is_told_on_the_screen_that_is_shown(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        _, b = begun(stations, "A", "B")
        await at(pilot, "live")
        newest_s = stations.desk("B").tail.last("time_s")
        b.say(Noted("trip_stall", "The unit stalled.", newest_s))
        await until(pilot, lambda: "TRIPPED" in head(console))
        assert "Station B, LM-12-0418: The unit stalled." in said(console)
        assert console.screen.desk is stations.desk("A")
        for place in ("bench", "records", "rig", "stations"):
            await at(pilot, place)
            assert "TRIPPED" in head(console)
        await pilot.press("f1")  # and above a dialog, too
        await until(pilot, lambda: console.screen.query(StationsLine))
        await until(pilot, lambda: "TRIPPED" in head(console))
        keys, told = (column._cells for column in console.screen._keys().columns)
        assert {"^N", "^E", "F10"} <= {str(key) for key in keys}
        assert any("F12 stops all stations" in str(text) for text in told)


async def test_an_end_elsewhere_is_told_until_it_was_looked_at(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        _, b = begun(stations, "A", "B")
        await at(pilot, "live")
        b.say(RunEnded(None, RunState.STOPPED, None, True, "Stopped.", on_request=True))
        b.alive = False
        await until(pilot, lambda: "stopped" in head(console))
        assert "Station B, LM-12-0418: the run is over" in said(console)
        assert console.screen.desk is stations.desk("A")
        assert glance(stations.desk("B")).needs
        await pilot.press("ctrl+n")
        await until(pilot, lambda: not glance(stations.desk("B")).needs)


def test_a_feed_that_is_not_off_outshines_everything(stations):
    (b,) = at_work(stations, "B")
    b.say(RunEnded(None, RunState.FINISHED, FAILED, False, "A relay welded.", on_request=False))
    stations.desk("B").poll()
    assert glance(stations.desk("B")) == Glance("A FEED IS NOT OFF: PULL THE SUPPLY", needs=True)


async def test_a_bench_that_goes_away_is_told_with_its_station_and_the_other_goes_on(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        b.alive = False
        await until(pilot, lambda: "process has gone at station B" in screen_text(console))
        assert stations.desk("B").live.phase is Phase.GONE
        assert stations.desk("A").live.on
        assert stops(a) == []
        await pilot.press("right", "enter")  # start again
        await until(pilot, lambda: stations.bench["B"] is not b and stations.desk("B").live.on)
        assert stations.bench["B"].job.station.name == "B"


# --- choosing ------------------------------------------------------------------------------------


async def test_a_scanned_label_is_the_next_unit_of_the_chosen_station(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        await at(pilot, "stations")
        console.scanner_s = 0.1
        await pilot.press("right")
        await until(pilot, lambda: console.desk is stations.desk("B"))
        await scan(pilot, "1N2-0555")  # its digits choose no station
        await until(pilot, lambda: console.screen.place == "bench")
        assert stations.desk("B").choices.serial == "1N2-0555"
        assert stations.desk("A").choices.serial == ""
        await until(pilot, lambda: "the unit on station B" in said(console))
        begun(stations, "B")
        await at(pilot, "stations")
        await scan(pilot, "LM-12-0600")
        await until(pilot, lambda: "a job is on at station B" in said(console))
        assert stations.desk("B").choices.serial == "1N2-0555"


async def test_the_chosen_station_is_seen_and_opened_where_it_is_worked(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        begun(stations, "B")
        await at(pilot, "stations")
        assert "▸A" in head(console)
        await pilot.press("2")
        await until(pilot, lambda: "▸B" in head(console))
        await pilot.press("enter")
        await until(pilot, lambda: console.screen.place == "live")
        assert console.screen.desk is stations.desk("B")
        await pilot.press("ctrl+n")  # nothing is on at A: where the next unit is filled in
        await until(pilot, lambda: console.screen.place == "bench")
        assert console.screen.desk is stations.desk("A")
        await pilot.click("StationTab:last-of-type")
        await until(pilot, lambda: console.desk is stations.desk("B"))
        await pilot.press("ctrl+n", "f7", "ctrl+n")
        await until(pilot, lambda: console.screen.desk is stations.desk("B"))
        assert console.screen.place == "rig"


def test_one_unit_is_not_at_work_on_two_stations(stations):
    at_work(stations, "A")
    twin = stations.order("B", PLAN, serial="LM-12-0417")
    assert "Which unit is on station B?" in stations.desks.why_not(twin)
    assert stations.desks.why_not(stations.order("B", PLAN)) == ""


def test_what_needs_the_rig_to_itself_waits_for_the_other_stations(stations):
    (a,) = at_work(stations, "A")
    desk = stations.desk("B")
    check = RigCheckOrder(stations.settings, desk.station, "simulated", desk.options())
    assert "needs the rig to itself" in stations.desks.why_not(check)
    a.end_run()
    stations.desk("A").poll()
    assert stations.desks.why_not(check) == ""
    assert desk.begin(check)
    assert "has the rig to itself" in stations.desks.why_not(stations.order("A", PLAN))


# --- leaving -------------------------------------------------------------------------------------


async def test_leaving_asks_for_all_jobs_at_once_and_ends_them(stations):
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        a, b = begun(stations, "A", "B")
        assert not console.begin(stations.order("B", PLAN, serial="LM-12-0417"))
        await until(pilot, lambda: "Which unit is on station B?" in said(console))
        await pilot.press("ctrl+q")
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await until(pilot, lambda: "Jobs are on at stations A and B" in screen_text(console))
        await pilot.press("escape")
        assert stops(a) == stops(b) == []
        await pilot.press("ctrl+q")
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await pilot.press("right", "enter")
        await until(pilot, lambda: stops(a) and stops(b))
    assert console.return_code == 0


# --- on the simulated bench ----------------------------------------------------------------------


async def test_two_runs_side_by_side_end_with_their_own_units_verdicts(tmp_path):
    stations = Stations(several_stations(2), tmp_path, now_s=lambda: 1000.0)
    console = stations.console
    async with console.run_test(size=(80, 24)) as pilot:
        for name in "AB":
            await stations.begin(pilot, stations.order(name, PLAN), at_s=1.5)
        for name in "BA":
            bench = stations.bench[name]
            bench.hold_at(float("inf"))
            await rested(pilot, bench)
        await until(pilot, lambda: not stations.desks.at_work)
        for name, serial in (("A", "LM-12-0417"), ("B", "LM-12-0418")):
            live = stations.desk(name).live
            assert live.job.unit_serial == serial
            assert live.ended.judgement.verdict == "pass"
            assert live.began.station == name
    stations.close()


def test_a_job_does_not_begin_with_the_samples_of_the_one_before(tmp_path):
    """The bench of several stations keeps a station's ring from job to job."""
    ring_keeper = ScriptedBench()
    stations = Stations(
        several_stations(2), tmp_path, open_bench=lambda _: ring_keeper, now_s=lambda: 1000.0
    )
    desk = stations.desk("A")
    ring_keeper.feed()
    desk.begin(stations.order("A", PLAN))
    desk.poll()
    assert len(desk.tail) == 0
    ring_keeper.feed(battery=True)
    desk.poll()
    assert len(desk.tail) == 1
    assert desk.tail.last("battery_feed") == 1.0
    stations.close()
