"""A scanner may be used at any time, at any place: its letters are no keys."""

from __future__ import annotations

import pytest
from bench_runs import make_plan
from console_pilot import key_at, scan
from console_runs import by_hand_order, run_order, running, screen_text
from hypothesis import given
from hypothesis import strategies as st
from recorded import library
from stand_in import until
from textual.widgets import Input

from rig.bench.commands import GoOn, Hold, Pause
from rig.console.scanner import Burst
from rig.console.widgets.run_table import RunTable

LABELS = ("UNIT-0417", "nth-p7", "CRS 0288", "MIB-0417")


@given(st.text("abc1-", min_size=2, max_size=20), st.floats(0.001, 0.09), st.floats(0.1, 5.0))
def test_a_burst_is_what_comes_fast_enough(label, apart_s, before_s):
    burst = Burst(0.1)
    burst.take("x", 0.0)
    for number, character in enumerate(label):
        burst.take(character, before_s + apart_s * number)
    assert burst.typed == label
    assert burst.one_key is (len(set(label)) == 1)
    assert burst.end() == label
    assert not burst.goes_on(before_s)


async def test_a_label_scanned_anywhere_is_the_next_unit_and_no_key(make_console, tmp_path):
    records, ids = library(tmp_path)
    console = make_console(records=records, until_s=0.0)
    console.scanner_s = 0.1
    async with console.run_test(size=(80, 24)) as pilot:
        verdict = console.get_screen("verdict")
        verdict.show_run(ids["short"])
        places = ("verdict", "rig", "world", "live")
        for place, label in zip(places, LABELS, strict=True):
            console.go(place)
            await until(pilot, lambda: console.screen.place == place)  # noqa: B023
            await until(pilot, lambda: console.screen.is_running)
            end = "tab" if place == "rig" else "enter"
            await scan(pilot, label, enters=1 if end == "tab" else 2, end=end)
            await until(pilot, lambda: console.screen.place == "bench")
            assert console.desk.choices.serial == label
            assert console.screen.query_one("#serial", Input).value == label
            assert console.desk.live.job is None
        # In the records it is what is looked for.
        table = await runs_listed(pilot, 8)
        await scan(pilot, "LM-12-0291")
        await until(pilot, lambda: [run.unit_serial for run in table.runs] == ["LM-12-0291"])
        # One key alone is a key, if a little later; held down it is one key as well.
        await scan(pilot, "uuuu", enters=0)
        await until(pilot, lambda: console.screen.pane == "history")
        await pilot.press("escape")
        await until(pilot, lambda: console.screen.pane == "search")
        await pilot.press("slash")
        await until(pilot, lambda: isinstance(console.focused, Input))


@pytest.mark.parametrize("label", ["MIB-0417", "B I M"])
async def test_a_label_scanned_while_a_job_is_on_feeds_and_changes_nothing(make_console, label):
    console = make_console(until_s=0.0, plan="incoming")
    console.scanner_s = 0.1
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        if label == "B I M":
            job, place = by_hand_order(console, plan=make_plan()), "by_hand"
        else:
            job, place = run_order(console), "live"
        bench = await running(pilot, job, at_s=2.0)
        told = []
        tell, bench.tell = bench.tell, told.append
        console.go(place)
        await until(pilot, lambda: console.screen.place == place)
        await scan(pilot, label)
        await pilot.pause(0.3)
        holds = [command for command in told if isinstance(command, Hold)]
        assert told == holds
        # The first letter may have been a key; what follows it at once takes that back.
        assert not holds or holds[-1] == Hold(battery=False, ignition=False)
        assert sum(hold.battery or hold.ignition for hold in holds) <= 1
        if place == "live":
            assert "MIB-0417 was scanned, but" in screen_text(console)
        bench.tell = tell
        await pilot.press("f12")
        await until(pilot, lambda: not console.desk.live.on)


async def runs_listed(pilot, count):
    """Go to the records, all runs listed, the focus on them; return the list."""
    console = pilot.app
    console.go("records")
    await until(pilot, lambda: console.screen.place == "records")
    table = console.screen.query_one(RunTable)
    await until(pilot, lambda: len(table.runs) == count)
    table.focus()
    await until(pilot, lambda: console.focused is table)
    return table


async def keyed(pilot, keys, at_s):
    """Press keys at times (s); return when they have acted."""
    screen = pilot.app.screen
    for key, time_s in zip(keys, at_s, strict=True):
        await screen.on_key(key_at(key, time_s))
    await pilot.pause(0.3)


async def test_a_key_held_down_acts_once_and_none_is_lost(make_console, tmp_path):
    records, _ = library(tmp_path)
    console = make_console(records=records, until_s=0.0)
    console.scanner_s, console.action_keys.again_after_s = 0.1, 0.75
    async with console.run_test(size=(80, 24)) as pilot:
        bench = await running(pilot, run_order(console), at_s=2.0)
        told = []
        tell, bench.tell = bench.tell, told.append
        console.go("live")
        await until(pilot, lambda: console.screen.place == "live")
        await keyed(pilot, "p", [10.0])
        await keyed(pilot, "pppp", [10.5, 10.53, 10.56, 10.59])
        assert told == [Pause()]
        await keyed(pilot, "p", [12.0])
        assert told == [Pause(), GoOn()]
        for key in ("f9", "space", "ctrl+r"):
            await keyed(pilot, [key] * 3, [20.0, 20.5, 20.53])
            held = [console.screen.is_held(key_at(key, at_s)) for at_s in (20.6, 22.0)]
            assert held == [True, False]
        bench.tell = tell
        await pilot.press("f12")
        await until(pilot, lambda: not console.desk.live.on)
        await runs_listed(pilot, 9)  # one more than the library has
        # An arrow that follows at once does not swallow the letter before it.
        await keyed(pilot, ["m", "down"], [30.0, 30.05])
        assert console.screen.has_class("-marked")
        # One that comes later acts first, even if this machine was too slow to do so meanwhile.
        await console.screen.on_key(key_at("m", 40.0))
        before = console.screen.has_class("-marked")
        await console.screen.act_before(40.05)
        assert console.screen.has_class("-marked") is before
        await console.screen.act_before(40.2)
        assert console.screen.has_class("-marked") is not before


async def test_a_second_enter_of_a_scanner_opens_no_run(make_console, tmp_path):
    records, _ = library(tmp_path)
    console = make_console(records=records, until_s=0.0)
    console.scanner_s = 0.1
    async with console.run_test(size=(80, 24)) as pilot:
        table = await runs_listed(pilot, 8)
        await scan(pilot, "LM-12-0291", enters=2)
        await until(pilot, lambda: [run.unit_serial for run in table.runs] == ["LM-12-0291"])
        await pilot.pause(0.1)
        assert console.screen.place == "records"


async def test_a_unit_typed_by_hand_from_anywhere_on_bench_goes_on_in_its_field(make_console):
    console = make_console(plan="incoming")
    async with console.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: getattr(console.screen, "place", "") == "bench")
        field = console.screen.query_one("#serial", Input)
        console.screen.query_one("#plan-view").focus()
        await until(pilot, lambda: console.focused is not field)
        await pilot.press("l")
        await until(pilot, lambda: console.focused is field)
        await pilot.press("m", "7")
        assert field.value == "lm7"
        # Back in the field, what is typed next is another unit.
        await pilot.press("escape", "n")
        assert field.value == "n"
        await pilot.press("tab", "escape", "k", "1")
        assert field.value == "k1"
        # By hand works on the same one, unless another is typed there.
        await pilot.press("f4")
        await until(pilot, lambda: console.screen.place == "by_hand")
        by_hand = console.screen.query_one("#serial", Input)
        assert by_hand.value == "k1"
        by_hand.value = "other"
        await pilot.press("f2", "f4")
        assert by_hand.value == "other"


# What a label may hold that is no plain text, and what is told of it; None: it is taken.
ODD_LABELS = {
    "[b]x[/b]": None,
    "=1+1": None,
    "x'y\"z;": None,
    "ab" * 500: "has 1000 characters; at most 64",
    "12\u202e34": "at place 3 that cannot be printed (U+202E)",
    "12\x1d34": "at place 3 that cannot be printed (U+001D)",
    "ab\x9b31m": "at place 3 that cannot be printed (U+009B)",
}


async def test_an_odd_label_is_taken_whole_or_refused_whole(make_console):
    console = make_console(until_s=0.0, plan="incoming")
    console.scanner_s = 0.5  # a thousand characters take a while here
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        console.desk.choices.serial = "before"
        for label, told in ODD_LABELS.items():
            console.go("rig")
            await until(pilot, lambda: console.screen.place == "rig")
            await scan(pilot, label)
            if told is None:
                await until(pilot, lambda: console.screen.place == "bench")
                assert console.desk.choices.serial == label
                assert console.screen.query_one("#serial", Input).value == label
                assert label in screen_text(console)
                console.desk.choices.serial = "before"
            else:
                await until(pilot, lambda: told in said(console))  # noqa: B023
                assert console.screen.place == "rig"
                assert console.desk.choices.serial == "before"
        # On Bench too it is the whole label that is refused, by the form.
        console.go("bench")
        await until(pilot, lambda: console.screen.place == "bench")
        console.screen.query_one("#plan-view").focus()
        await until(pilot, lambda: not isinstance(console.focused, Input))
        await scan(pilot, "12\x1d34")
        await until(pilot, lambda: "U+001D" in screen_text(console))
        # A field that has the focus takes what can be printed, and it is told that there was more.
        field = console.screen.query_one("#serial", Input)
        field.focus()
        field.value = ""
        await until(pilot, lambda: console.focused is field)
        await scan(pilot, "12\x1d34", enters=0)
        await until(pilot, lambda: field.value == "1234")
        await until(pilot, lambda: "Compare what the field holds with the label" in said(console))


def said(console):
    """Return everything that the console has told by the way, on one line."""
    return " ".join(str(note.message) for note in console._notifications)
