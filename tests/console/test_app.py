"""The console as a whole: feeds off from everywhere, getting about, leaving, failing."""

from itertools import cycle

import pytest
from bench_runs import HALF_TURNS, feeds_are_on, make_plan
from console_runs import (
    answer,
    assert_feeds_off,
    by_hand_order,
    ended,
    rig_check_order,
    run_order,
    running,
    screen_text,
)
from stand_in import rested, until
from textual.command import CommandPalette
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Select

from rig.bench.commands import Stop
from rig.bench.events import Refused, RigCheckEnded
from rig.console.dialogs.actions import actions_of
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import ChoiceDialog
from rig.console.feeds_words import feeds_of
from rig.console.left import Doubt, Left
from rig.console.live_job import Live, Phase
from rig.console.places import places
from rig.console.screen import DeskScreen
from rig.records.model import RunState
from rig.records.store import Store

VISUAL = make_plan('[[step]]\nkind = "visual"\nchecks = ["housing", "lever_free"]\n', HALF_TURNS)
NOW_S = 1000.0  # the desk's clock, which stands still: what is shown stays fresh
FED_S = 2.0  # the stand-in's first half-turn is on then, both feeds made
SAID = "Feeds off. The job ends here."

PLACES = places(True)


def still_clock():
    return NOW_S


async def at(pilot, name):
    """Go to a place by its key."""
    place = next(place for place in PLACES if place.name == name)
    await pilot.press(place.key)
    await until(pilot, lambda: pilot.app.screen.place == name)


async def fed(pilot):
    """Have a run on with both feeds made, in the middle of a half-turn; return its bench."""
    bench = await running(pilot, at_s=FED_S)
    assert feeds_are_on(bench.backend, pilot.app.desk.settings)
    assert feeds_of(pilot.app.desk) == ("BATTERY + IGNITION ON", True, False)
    return bench


async def feeds_off_by(pilot, key, bench):
    """Press the key and see that it did what it is for, and that it says so."""
    console = pilot.app
    console.clear_notifications()
    await pilot.press(key)
    assert console.desk.live.stop_wanted
    await until(pilot, lambda: SAID in screen_text(console))
    await rested(pilot, bench)
    await ended(pilot)
    assert_feeds_off(console, bench)
    assert console.desk.live.ended.state is RunState.STOPPED
    assert feeds_of(console.desk) == ("feeds off", False, False)


# The keys are one binding, so they take turns at the places, and inside dialogs: a run for each
# would take long.
KEYS = ("f12", "ctrl+x", "ctrl+c")


async def test_one_key_takes_the_feeds_off_from_every_screen_and_says_so(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        for place, key in zip(PLACES, cycle(KEYS), strict=False):
            bench = await fed(pilot)
            await at(pilot, place.name)
            await feeds_off_by(pilot, key, bench)


async def in_help(pilot):
    await pilot.press("f1")
    assert isinstance(pilot.app.screen, HelpDialog)


async def in_quit(pilot):
    await pilot.press("ctrl+q")
    assert isinstance(pilot.app.screen, ChoiceDialog)


async def in_palette(pilot):
    await pilot.press("ctrl+p")
    await pilot.press(*"go to")
    assert isinstance(pilot.app.screen, CommandPalette)


async def in_fault_list(pilot):
    await at(pilot, "world")
    await pilot.press("ctrl+f")
    await until(pilot, lambda: isinstance(pilot.app.screen, ModalScreen))
    for _ in range(10):
        if isinstance(pilot.app.focused, Input):
            break
        await pilot.press("tab")
    assert isinstance(pilot.app.focused, Input)


async def in_search(pilot):
    await at(pilot, "records")
    field = pilot.app.screen.query(Input).first()
    field.focus()
    await pilot.press(*"LM-12")
    assert pilot.app.focused is field


async def in_open_list(pilot):
    await at(pilot, "records")
    choice = pilot.app.screen.query(Select).first()
    choice.focus()
    await pilot.press("enter")
    assert choice.expanded


INSIDE = (in_help, in_quit, in_palette, in_fault_list, in_search, in_open_list)


async def test_one_key_takes_the_feeds_off_inside_every_dialog_and_field(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        for get_into, key in zip(INSIDE, cycle(KEYS[::-1]), strict=False):
            await at(pilot, "records")
            bench = await fed(pilot)
            await get_into(pilot)
            await feeds_off_by(pilot, key, bench)
            for _ in range(3):
                await pilot.press("escape")
            await until(pilot, lambda: isinstance(console.screen, DeskScreen))


async def test_the_feeds_off_key_works_in_the_benchs_questions(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        order = run_order(console, VISUAL, consent=False, ask_operator=True)
        bench = await running(pilot, order)  # the cautions
        await until(pilot, lambda: isinstance(console.screen, ModalScreen))
        await feeds_off_by(pilot, "ctrl+x", bench)
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))

        bench = await running(pilot, order)
        await answer(pilot, "accepted")
        await until(pilot, lambda: isinstance(console.screen, ModalScreen))
        console.screen.query_one("#note", Input).focus()
        await pilot.press(*"oil on it")
        await feeds_off_by(pilot, "f12", bench)
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))


async def test_the_feeds_off_key_without_a_job_says_that_the_feeds_are_off(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: console.desk.ready)
        await pilot.press("f12")
        await until(pilot, lambda: "No job is on: the feeds are off." in screen_text(console))
        assert console.benches[-1].commands == []


@pytest.mark.parametrize(("make", "place"), [(by_hand_order, "by_hand"), (rig_check_order, "rig")])
async def test_the_feeds_off_key_ends_the_other_jobs_too(make_console, make, place):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        bench = await running(pilot, make(console), at_s=2.0)
        await at(pilot, place)
        await pilot.press("f12")
        await ended(pilot)
        assert any(isinstance(command, Stop) for command in bench.commands)
        assert not feeds_are_on(bench.backend, console.desk.settings)
        live = console.desk.live
        assert (live.ended or live.checked).feeds_off


async def test_a_stop_that_is_not_confirmed_is_an_alarm(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        bench = await fed(pilot)
        bench.tell = lambda command: None  # the line to the bench is dead
        await pilot.press("f12")
        assert feeds_of(console.desk) == ("FEEDS OFF ASKED", False, True)
        console.desk._now_s = lambda: NOW_S + 60.0
        await until(pilot, lambda: "not confirmed" in screen_text(console))
        assert "pull the supply" in screen_text(console)
        await pilot.press("escape")
        await pilot.pause(0.2)
        assert isinstance(console.screen, DeskScreen)  # told once, not again and again
        del bench.tell


# --- getting about -------------------------------------------------------------------------------


async def test_every_place_by_its_tab(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        for place in PLACES[::-1]:
            await pilot.click(f"#tab-{place.name}")
            await until(pilot, lambda: console.screen.place == place.name)  # noqa: B023
            here = [tab.place for tab in console.screen.query("PlaceTab.-here")]
            assert here == [place.name]
        # What was said by the way goes with the place, what is urgent stays.
        for urgent, left in ((False, []), (True, ["Mind this."])):
            console.say("Mind this.", error=urgent)
            await until(pilot, lambda: notices(console) == ["Mind this."])
            console.go("rig" if console.screen.place == "bench" else "bench")
            assert notices(console) == left


def notices(console):
    return [note.message for note in console._notifications]


async def test_a_dialog_wants_its_answer_before_another_place_is_gone_to(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        await pilot.press("f1", "f6")
        assert isinstance(console.screen, HelpDialog)
        await pilot.press("escape")
        await pilot.pause()
        assert console.screen.place == "bench"


async def test_a_real_bench_has_no_simulation_screen_and_no_word_of_one(make_console, monkeypatch):
    monkeypatch.setattr("rig.console.desk.Desk.has_world", property(lambda desk: False))
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(120, 40)) as pilot:
        await pilot.press("f8")
        assert console.screen.place == "bench"
        assert not console.screen.query("#tab-world")
        assert "SIMULATED" not in screen_text(console)
        commands = [action.name for action in actions_of(console, console.screen)]
        assert "Go to Sim" not in commands
        assert "Go to Rig" in commands


async def test_another_backend_is_simulated_if_the_bench_says_so(make_console, monkeypatch):
    monkeypatch.setattr("rig.console.desk.Desk.has_world", property(lambda desk: False))
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        assert "SIMULATED" not in screen_text(console)
        await fed(pilot)  # on the built-in one, which says of itself that it is simulated
        await until(pilot, lambda: "SIMULATED" in screen_text(console))


# --- leaving -------------------------------------------------------------------------------------


async def test_leaving_without_a_job_asks_nothing(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test() as pilot:
        await pilot.press("ctrl+q")
        await pilot.pause()
    assert console.return_value == 0


async def test_leaving_in_mid_run_asks_once_and_ends_with_the_feeds_off(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await fed(pilot)
        await pilot.press("ctrl+q", "ctrl+q")
        assert sum(isinstance(screen, ChoiceDialog) for screen in console.screen_stack) == 1
        assert "Leaving now takes the feeds off" in screen_text(console)
        await pilot.press("enter")  # what has the focus does no harm
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        assert console.desk.live.on
        assert feeds_are_on(bench.backend, console.desk.settings)
        await pilot.press("ctrl+q", "tab", "enter")
        await until(pilot, lambda: not console.is_running or console.return_value is not None)
    console.desk.close()
    assert console.return_value == 0
    assert not feeds_are_on(bench.backend, console.desk.settings)
    with Store.open(console.desk.records) as store:
        assert [run.state for run in store.runs()] == [RunState.STOPPED]


async def test_the_palettes_quit_asks_too(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        await fed(pilot)
        await pilot.press("ctrl+p", *"quit")
        await until(pilot, lambda: "Feeds off, then leave" in screen_text(console))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        assert console.desk.live.on


# --- a bench that refuses, dies or comes back ----------------------------------------------------


async def test_a_bench_that_refuses_says_why_once(make_console, monkeypatch):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: console.desk.ready)
        order = run_order(console)
        object.__setattr__(order, "backend", "no.such.module:factory")
        assert console.begin(order)
        await until(pilot, lambda: console.desk.live.phase is Phase.REFUSED)
        assert "no.such.module" in screen_text(console)
        assert "Traceback" not in screen_text(console)
        await pilot.press("enter")
        # The next bench is ready: that is no reason to say it again.
        await until(pilot, lambda: console.desk.ready, timeout_s=10.0)
        assert isinstance(console.screen, DeskScreen)


async def test_a_bench_that_dies_in_a_run_is_told_and_can_be_started_again(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await fed(pilot)
        job = console.desk.live.job
        bench.die()
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        assert console.desk.live.phase is Phase.GONE
        assert feeds_of(console.desk) == ("FEEDS NOT KNOWN", False, True)
        text = screen_text(console)
        assert "The bench process has gone" in text
        assert "master relay" in text
        again = next(b for b in console.screen.query(Button) if "again" in str(b.label))
        again.focus()
        await pilot.press("enter")
        await until(pilot, lambda: console.desk.live.on)
        assert console.desk.live.job is job
        assert console.benches[-1] is not bench
        await pilot.press("f12")
        await ended(pilot)
        assert_feeds_off(console, console.benches[-1])


async def test_a_bench_that_dies_at_a_question_takes_the_question_with_it(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        order = run_order(console, consent=False, ask_operator=True)
        bench = await running(pilot, order)
        await until(pilot, lambda: isinstance(console.screen, ModalScreen))
        bench.die()
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        assert len([s for s in console.screen_stack if isinstance(s, ModalScreen)]) == 0


async def test_the_dialogs_first_choice_does_no_harm(make_console):
    """A unit is not fed by somebody who only wants the alarm gone."""
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await fed(pilot)
        bench.die()
        await until(pilot, lambda: isinstance(console.screen, ChoiceDialog))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(console.screen, DeskScreen))
        assert not console.desk.live.on


# --- stale data ----------------------------------------------------------------------------------


async def test_a_bench_that_hangs_is_not_shown_as_live(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        await fed(pilot)
        await at(pilot, "live")
        console.desk._now_s = lambda: NOW_S + 5.0
        await until(pilot, lambda: not console.desk.fresh)
        assert feeds_of(console.desk) == ("NO LIVE DATA", True, True)
        await until(pilot, lambda: "for 5.0 s: what is shown is old" in screen_text(console))
        assert "NO LIVE DATA" in screen_text(console)


async def test_a_doubt_about_the_feeds_outlives_the_next_job(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await fed(pilot)
        bench.die()
        await until(pilot, lambda: console.desk.live.phase is Phase.GONE)
        await pilot.press("escape")
        # Another job is handed over; nothing has been read back yet.
        assert console.begin(rig_check_order(console))
        assert feeds_of(console.desk) == ("FEEDS NOT KNOWN", False, True)
        bench = console.benches[-1]
        bench.die()
        await until(pilot, lambda: not console.desk.live.on)
        assert feeds_of(console.desk) == ("FEEDS NOT KNOWN", False, True)
        await pilot.press("escape")
        assert console.begin(rig_check_order(console))
        await pilot.press("f12")
        await until(pilot, lambda: not console.desk.live.on)
        assert console.desk.live.checked.feeds_off
        assert feeds_of(console.desk) == ("feeds off", False, False)


def test_a_feed_that_was_not_off_is_told_until_it_is():
    left, live = Left(), Live()
    left.take(RigCheckEnded(good=False, feeds_off=False, text=""), live)
    assert left.feeds is Doubt.NOT_OFF
    left.take(Refused("The bench did not begin."), live)
    assert left.feeds is Doubt.NOT_OFF
    left.take(RigCheckEnded(good=None, feeds_off=True, text=""), live)
    assert left.feeds is Doubt.NONE


# --- failing -------------------------------------------------------------------------------------


async def test_what_breaks_in_a_screen_is_kept_for_the_command_and_draws_no_traceback(
    make_console, monkeypatch
):
    console = make_console(until_s=0.0, now_s=still_clock)

    async def break_it():
        async with console.run_test(size=(80, 24)) as pilot:
            await fed(pilot)
            monkeypatch.setattr(type(console.screen), "on_frame", lambda screen: 1 / 0)
            await until(pilot, lambda: not console.is_running)

    with pytest.raises(ZeroDivisionError):
        await break_it()
    assert isinstance(console.failure, ZeroDivisionError)
    assert console._exit_renderables == []
    console.desk.close()
    bench = console.benches[-1]
    assert not feeds_are_on(bench.backend, console.desk.settings)


# --- a terminal that is too small ----------------------------------------------------------------


async def test_a_terminal_too_small_says_so_and_still_takes_the_feeds_off(make_console):
    console = make_console(until_s=0.0, now_s=still_clock)
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await fed(pilot)
        await at(pilot, "live")
        for size in ((79, 24), (80, 23), (40, 10)):
            await pilot.resize_terminal(*size)
            console.pump()
            words = f"This terminal has {size[0]} columns and {size[1]} rows"
            await until(pilot, lambda: words in screen_text(console))  # noqa: B023
            assert "Battery + ignition on." in screen_text(console).capitalize()
            assert "current, A" not in screen_text(console)
        # What cannot be seen is not done.
        asked = len(bench.commands)
        await pilot.press("p", "r", "f9", "space", "ctrl+r", "enter")
        assert bench.commands[asked:] == []
        await pilot.press("f12")
        await ended(pilot)
        assert_feeds_off(console, bench)
        await until(pilot, lambda: "Feeds off." in screen_text(console))
        await pilot.resize_terminal(80, 24)
        console.pump()
        await until(pilot, lambda: "F12 Feeds off" in screen_text(console))
        assert "This terminal" not in screen_text(console)
