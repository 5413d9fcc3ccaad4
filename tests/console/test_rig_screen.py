"""The Rig screen: wiring told, readings live and never stale, zero, self-check, and refusals."""

from pathlib import Path

import numpy as np
import pytest
from bench_runs import make_plan, make_settings
from console_pilot import accept, drive, question, shown
from stand_in import rested, until
from textual.widgets import Button, DataTable
from told import Clock

from rig.bench.commands import Meddle
from rig.bench.events import CheckItem, ItemState, RunBegan, ZeroFound
from rig.bench.order import ByHandOrder, RigCheckOrder, RunOrder
from rig.bench.ring import COLUMNS
from rig.console.desk import Desk
from rig.console.dialogs.ask import AskDialog
from rig.console.live_job import Live, Phase
from rig.console.rig_facts import rig_facts, station_facts, world_words, zero_words
from rig.console.rig_readings import NOT_READ, reading_rows
from rig.console.rig_state import NOT_READ_BACK, NOT_WIRED
from rig.console.tail import Tail
from rig.console.widgets.check_list import CheckList
from rig.console.widgets.readings import Readings
from rig.console.widgets.state_line import StateLine
from rig.console.widgets.wiring_view import WiringView
from rig.settings import settings_from_text

SETTINGS = make_settings(sample_hz=200, supply=False)


def settings_of(text):
    return settings_from_text(text, Path("rig.toml"))


def two_stations():
    """A rig with a second, differently wired station and something unwise about it."""
    text = SETTINGS.text.replace("sample_hz = 1000", "sample_hz = 200")
    head, _, first = text.partition("\n[[station]]\n")
    second = first
    for here, there in (
        ('name = "A"', 'name = "B"'),
        ("fuse_a = 10", "fuse_a = 15"),
        ("pin = 17", "pin = 12"),
        ("pin = 27", "pin = 13"),
        ("address = 0x40", "address = 0x44"),
        ("address = 0x41", "address = 0x45"),
        ("pin = 5\n", "pin = 19\n"),
        ("pin = 6\n", "pin = 26\n"),
    ):
        assert here in second
        second = second.replace(here, there)
    head = head.replace('kind = "scpi"', 'kind = "none"')
    return settings_of(f"{head}\n[[station]]\n{first}\n[[station]]\n{second}")


# --- words ------------------------------------------------------------------------------------


def test_a_station_is_told_as_the_rig_file_wires_it():
    facts = [f"{name} {how}".strip() for name, how in station_facts(SETTINGS.stations[0])]
    assert facts == [
        "Battery feed GPIO 17",
        "Ignition feed GPIO 27",
        "Fuse 10 A",
        "Feed sensor 0x40, I2C bus 1",
        "5 mohm to 64 A",
        "in 2 mA steps",
        "Coil sensor 0x41, I2C bus 1",
        "100 mohm to 3.2 A",
        "in 0.1 mA steps",
        "Jig at run GPIO 5, closes",
        "Jig at stop GPIO 6, closes",
        "Samples 200 a second",
    ]


def test_what_is_not_wired_is_told_too():
    station = SETTINGS.stations[0].model_copy(
        update={"ignition_sensor": None, "at_run": None, "at_stop": None}
    )
    bare = SETTINGS.model_copy(
        update={"stations": (station,), "dead_man": None, "emergency_stop": None}
    )
    told = dict(station_facts(station)) | dict(rig_facts(bare))
    for name in ("Coil sensor", "Jig at run", "Jig at stop", "Dead-man", "Emergency stop"):
        assert told[name] == NOT_WIRED
    assert told["Supply"] == "set by hand, 12.6 V"


def test_an_active_low_output_is_told():
    feed = SETTINGS.stations[0].battery_feed.model_copy(update={"active_high": False})
    station = SETTINGS.stations[0].model_copy(update={"battery_feed": feed})
    assert dict(station_facts(station))["Battery feed"] == "GPIO 17, low makes it"


@pytest.mark.parametrize(
    ("backend", "says"),
    [
        ("simulated", "Nothing: relays, sensors"),
        ("pi", "Everything: this computer's pins"),
        ("workshop.rig:make", "Not known here: workshop.rig:make"),
    ],
)
def test_what_is_real_is_told_by_the_backend(tmp_path, backend, says):
    desk = Desk(SETTINGS, tmp_path / "records.sqlite", lambda: None, backend=backend)
    desk.live.began = RunBegan(None, "A", "", 0, 0.0, False, {"chip": "rev 2"})
    text = world_words(desk)
    assert text.startswith(says)
    assert ("chip rev 2" in text) is (":" in backend)
    desk.close()


def test_a_zero_within_its_uncertainty_leaves_the_rig_file_alone():
    words = zero_words(ZeroFound("A", 0.0010, 0.0012, 0.001, 0.0), SETTINGS)
    assert (words.line, words.where) == ("", "")
    assert "right within U" in words.advice


def test_a_zero_beyond_it_says_exactly_what_to_write_and_where():
    words = zero_words(ZeroFound("A", 0.0499, 0.0012, 0.001, 0.0), SETTINGS)
    number = 1 + next(
        k for k, line in enumerate(SETTINGS.text.split("\n")) if line.startswith("offset_a")
    )
    assert words.line == "offset_a = 0.0499"
    assert words.where == f"in place of line {number} of rig.toml."
    # Written there, it is what the program reads.
    lines = SETTINGS.text.split("\n")
    lines[number - 1] = words.line
    mended = settings_of("\n".join(lines))
    assert mended.stations[0].battery_sensor.offset_a == 0.0499
    assert zero_words(ZeroFound("A", 0.0499, 0.0012, 0.001, 0.0499), mended).line == ""


@pytest.mark.parametrize(
    ("off_a", "says"), [(0.001, "within U"), (0.009, "(R4)"), (0.02, "has moved since")]
)
def test_a_calibrated_zero_may_be_off_by_what_the_feed_moves_it(off_a, says):
    words = zero_words(ZeroFound("A", 0.03 + off_a, 0.0012, 0.001, 0.03, True), SETTINGS)
    assert says in words.advice
    assert words.line == ""


def test_a_rig_file_without_that_line_is_told_the_table():
    text = "\n".join(
        line for line in SETTINGS.text.split("\n") if not line.startswith("offset_a =")
    )
    words = zero_words(ZeroFound("A", 0.05, 0.001, 0.001, 0.0), settings_of(text))
    assert "[station.battery_sensor], below line" in words.where
    assert 'station "A"' in words.where


def test_the_line_is_that_of_the_right_station():
    settings = two_stations()
    first = zero_words(ZeroFound("A", 0.05, 0.001, 0.001, 0.0), settings).where
    second = zero_words(ZeroFound("B", 0.05, 0.001, 0.001, 0.0), settings).where
    line = int(second.split()[4])
    assert line > int(first.split()[4])
    assert settings.text.split("\n")[line - 1].startswith("offset_a")


def rows_of(settings=SETTINGS, **columns):
    tail = Tail()
    table = np.zeros((200, len(COLUMNS)))
    table[:, 0] = np.arange(200) / 200
    for name, value in columns.items():
        table[:, COLUMNS.index(name)] = value
    tail.add(table)
    rows = reading_rows(tail, settings, settings.stations[0], fresh=True)
    return {row.name: row for row in rows}


def test_readings_are_means_with_their_signs():
    rows = rows_of(current_a=-0.0123, voltage_v=0.016, ignition_a=0.0001, master=1.0)
    assert rows["Battery feed"].word == "-0.0123 A"
    assert rows["Voltage"].word == "+0.02 V"
    assert rows["Ignition feed"].word == "+0.0001 A"
    assert rows["Master relay"].word == "made"
    assert not any(row.alert for row in rows.values())
    assert rows_of(current_a=-1e-5)["Battery feed"].word == "+0.0000 A"


def test_a_lost_sensor_and_a_pressed_stop_must_be_seen():
    rows = rows_of(current_a=np.nan, voltage_v=np.nan, flags=2, emergency_stop=1.0)
    assert {name for name, row in rows.items() if row.alert} == {
        "Battery feed",
        "Voltage",
        "Current sensor",
        "Emergency stop",
    }
    assert rows["Battery feed"].word == "no reading"


def test_a_master_relay_is_told_as_made_not_read_back_or_not_wired():
    unread = SETTINGS.dead_man.model_copy(update={"sense_pin": None})
    for dead_man, master, word in (
        (SETTINGS.dead_man, 0.0, "dropped"),
        (unread, np.nan, NOT_READ_BACK),
        (None, np.nan, NOT_WIRED),
    ):
        rows = rows_of(SETTINGS.model_copy(update={"dead_man": dead_man}), master=master)
        assert rows["Master relay"].word == word


def test_what_is_not_fresh_is_not_told():
    tail = Tail()
    tail.add(np.ones((50, len(COLUMNS))))
    words = {row.word for row in reading_rows(tail, SETTINGS, SETTINGS.stations[0], fresh=False)}
    assert words == {NOT_READ}


# --- the screen -------------------------------------------------------------------------------


def at_rig(script, size=(80, 24)):
    """Return a script that goes to the Rig screen first."""

    async def go(pilot):
        await pilot.press("f7")
        await until(pilot, lambda: pilot.app.place_screen.place == "rig")
        await script(pilot, pilot.app.screen)

    return go


def state(screen):
    return screen.query_one(StateLine).state


def reading_words(screen):
    return {row.name: row.word for row in screen.query_one(Readings).rows}


def test_the_wiring_and_the_warnings_are_told_station_by_station(make_console):
    console = make_console(until_s=1.2, settings=two_stations())

    async def script(pilot, screen):
        text = shown(screen.query_one(WiringView))
        assert "Station A (1 of 2" in text
        assert "GPIO 17" in text
        assert "A fuse above 10 A" in text
        assert "What is real" in text
        await pilot.press("s")
        assert pilot.app.desk.choices.station == "B"
        await until(pilot, lambda: pilot.app.screen.query(WiringView))
        text = shown(pilot.app.screen.query_one(WiringView))
        assert "Station B (2 of 2" in text
        assert "0x44" in text
        # While its readings are on, another station chosen is read in its place.
        await pilot.press("r")
        desk_b = pilot.app.desk
        await rested(pilot, desk_b.bench)
        await pilot.press("s")
        await until(pilot, lambda: pilot.app.desk.live.on)
        assert pilot.app.desk.choices.station == "A"
        assert pilot.app.desk.live.job.station.name == "A"
        await until(pilot, lambda: not desk_b.live.on)
        await rested(pilot, pilot.app.desk.bench)

    drive(console, at_rig(script))


def test_readings_come_live_with_the_zero_and_end_by_the_same_key(make_console):
    clock = Clock()
    console = make_console(until_s=2.4, now_s=clock)

    async def script(pilot, screen):
        assert set(reading_words(screen).values()) == {NOT_READ}
        await pilot.press("r")
        job = pilot.app.desk.live.job
        assert isinstance(job, RigCheckOrder)
        assert not job.full
        bench = console.benches[-1]
        await rested(pilot, bench)
        await until(pilot, lambda: pilot.app.desk.live.zero is not None)
        pilot.app.pump()
        words = reading_words(screen)
        assert words["Current sensor"] == "good"
        assert words["Emergency stop"] == "clear"
        assert words["Master relay"] == "dropped"
        assert words["Jig at stop"] == "pressed"
        assert "right within U" in shown(screen.query_one(Readings))
        assert state(screen).word == "Reading"
        # What stops coming is not shown as live.
        desk = pilot.app.desk
        clock.s += 5.0
        pilot.app.pump()
        assert state(screen).word == "No live data"
        assert state(screen).alert
        assert "5.0 s" in state(screen).text
        assert set(reading_words(screen).values()) == {NOT_READ}
        await pilot.press("s")  # the only station stays
        assert desk.live.job is job
        await pilot.press("r")
        await until(pilot, lambda: not desk.live.on)
        await until(pilot, lambda: state(screen).word == "Readings over")
        # What was read is not shown any longer as if it were so.
        assert set(reading_words(screen).values()) == {NOT_READ}

    drive(console, at_rig(script))


def test_an_unplugged_sensor_is_told_and_seen_to_come_back(make_console):
    console = make_console(
        until_s=1.5, now_s=Clock(), faults=("sensor-absent", "sensor-offset=0.05")
    )

    async def script(pilot, screen):
        await pilot.press("r")
        bench = console.benches[-1]
        await rested(pilot, bench)
        pilot.app.pump()
        words = reading_words(screen)
        assert words["Battery feed"] == "no reading"
        assert words["Current sensor"] == "no answer"
        text = shown(screen.query_one(Readings))
        assert "does not answer" in text
        assert "Check its plug" in text
        pilot.app.desk.tell(Meddle("clear_fault", {"name": "sensor-absent"}))
        bench.advance(4.5)
        await rested(pilot, bench)
        await until(pilot, lambda: pilot.app.desk.live.zero is not None)
        pilot.app.pump()
        assert reading_words(screen)["Current sensor"] == "good"
        # It has an offset that the rig file does not know: told with the line to write.
        text = shown(screen.query_one(Readings))
        assert "mA off" in text
        assert "offset_a = 0.0" in text
        assert "in place of line" in text

    drive(console, at_rig(script))


def test_leaving_the_screen_ends_the_readings_but_a_dialog_does_not(make_console):
    console = make_console(until_s=1.5)

    async def script(pilot, screen):
        await pilot.press("r")
        bench = console.benches[-1]
        await rested(pilot, bench)
        await pilot.press("f1")
        await pilot.pause()
        assert pilot.app.screen is not screen
        assert pilot.app.desk.live.on
        await pilot.press("escape")
        await pilot.pause()
        assert pilot.app.desk.live.on
        await pilot.press("f6")
        await until(pilot, lambda: not pilot.app.desk.live.on)
        assert pilot.app.desk.live.checked.feeds_off

    drive(console, at_rig(script))


# --- self-check -------------------------------------------------------------------------------


def items_of(screen):
    return {item.name: item for item in screen.query_one(CheckList).items}


async def check(pilot, *answers):
    """Begin the self-check, accept the cautions, answer what is asked."""
    await pilot.press("c")
    await accept(pilot)
    for action, key in answers:
        await question(pilot, action)
        await pilot.press(key)
    await until(pilot, lambda: pilot.app.desk.live.checked is not None)
    pilot.app.pump()


ALL_DONE = (("jig_empty", "d"), ("press_emergency_stop", "d"), ("release_emergency_stop", "d"))


def test_a_healthy_rig_passes_its_self_check_in_any_size(make_console):
    async def script(pilot, screen):
        await check(pilot, *ALL_DONE)
        items = items_of(screen)
        assert len(items) == 11
        assert {item.state for item in items.values()} == {ItemState.GOOD, ItemState.LEFT_OUT}
        assert state(screen).word == "Not all checked"  # nobody pressed the jig's switches
        assert "Nothing wrong found; 2 of 10 items not checked" in state(screen).text
        table = screen.query_one(DataTable)
        assert table.row_count == 11
        # Every item has a word and a character, and the table fits without a scrollbar.
        assert {str(table.get_row(name)[2]) for name in items} == {"good", "left out"}
        assert {str(table.get_row(name)[0]) for name in items} == {"=", "-"}
        for size in ((120, 40), (80, 40), (80, 24)):
            await pilot.resize_terminal(*size)
            await pilot.pause(0.1)
            await until(pilot, lambda: table.size.height == 11)
            assert not table.show_horizontal_scrollbar
        # The sentence below belongs to the marked row.
        table.move_cursor(row=1)
        table.focus()
        await pilot.press("down")
        assert items["zero"].text in shown(screen.query_one(CheckList))

    drive(make_console(), at_rig(script))


def test_what_is_not_agreed_to_or_broken_off_is_told(make_console):
    console = make_console()

    async def script(pilot, screen):
        await check(pilot, ("jig_empty", "c"))
        states = {name: item.state.value for name, item in items_of(screen).items()}
        assert states["battery_relay"] == states["emergency_stop"] == "left_out"

        # From readings it begins as soon as they have ended.
        await until(pilot, lambda: pilot.app.desk.ready)
        console.benches[-1].hold_at(1.2)
        await pilot.press("r")
        await until(pilot, lambda: pilot.app.desk.live.zero is not None)
        await pilot.press("c")
        await accept(pilot)
        assert pilot.app.desk.live.job.full
        await question(pilot, "jig_empty")
        await pilot.press("f12")
        await until(pilot, lambda: not pilot.app.desk.live.on)
        pilot.app.pump()
        assert pilot.app.desk.live.checked.good is None
        assert state(screen).word == "Broken off"
        assert items_of(screen)["battery_relay"].state is ItemState.OPEN

    drive(console, at_rig(script))


def test_a_press_that_is_seen_closes_its_question_and_what_is_wrong_is_marked(make_console):
    async def script(pilot, screen):
        await pilot.press("c")
        await accept(pilot)
        await question(pilot, "jig_empty")
        await pilot.press("d")
        for deed in ("press_emergency_stop", "release_emergency_stop"):
            dialog = await question(pilot, deed)
            pilot.app.desk.tell(Meddle(deed))  # somebody's hand, and nobody at the keys
            await until(pilot, lambda dialog=dialog: dialog not in pilot.app.screen_stack)
        await until(pilot, lambda: pilot.app.desk.live.checked is not None)
        pilot.app.pump()
        await pilot.pause()
        assert not isinstance(pilot.app.screen, AskDialog)
        assert items_of(screen)["emergency_stop"].state is ItemState.GOOD
        states = {name: item.state.value for name, item in items_of(screen).items()}
        assert states["sensor"] == "wrong"
        assert states["battery_relay"] == "left_out"
        # What is wrong is marked, in a word and a character, with its sentence.
        assert state(screen).word == "Not good"
        assert state(screen).alert
        table = screen.query_one(DataTable)
        assert table.cursor_row == list(states).index("sensor")
        assert [str(cell) for cell in table.get_row("sensor")][::2] == ["!", "WRONG"]
        assert "does not answer. Check its plug" in shown(screen.query_one(CheckList))

    drive(make_console(faults=("sensor-absent",)), at_rig(script))


def test_the_mark_follows_what_is_checked_until_somebody_moves_it():
    from textual.app import App

    told = []

    class Alone(App):
        def compose(self):
            yield CheckList()

    async def script(pilot):
        shown_list = pilot.app.query_one(CheckList)
        names = ("a", "b", "c")

        def items(**states):
            return [CheckItem(n, n, ItemState(states.get(n, "open")), f"of {n}") for n in names]

        shown_list.show(items(a="going"))
        await pilot.pause()
        told.append(shown_list.query_one(DataTable).cursor_row)
        shown_list.show(items(a="good", b="going"))
        await pilot.pause()
        told.append(shown_list.query_one(DataTable).cursor_row)
        shown_list.focus_items()
        await pilot.press("up")
        shown_list.show([*items(a="good", b="going")[:2], CheckItem("c", "c", ItemState.OPEN)])
        await pilot.pause()
        told.append(shown_list.query_one(DataTable).cursor_row)
        assert "of a" in shown(shown_list)
        shown_list.show(items(a="good", b="good", c="going"))
        await pilot.pause()
        told.append(shown_list.query_one(DataTable).cursor_row)

    drive(Alone(), script)
    assert told == [0, 1, 0, 2]


# --- refusals ---------------------------------------------------------------------------------


def test_the_rig_is_not_looked_at_while_something_else_is_on(make_console):
    async def script(pilot, screen):
        desk = pilot.app.desk
        # Where the focus is shows without colours.
        assert screen.focused.id == "read"
        assert "reverse" in str(screen.focused.styles.text_style)
        keys = {binding.description for _, binding, *_ in screen.active_bindings.values()}
        assert {"Read", "Check", "Station"} <= keys
        for kind, place in ((RunOrder, "F3"), (ByHandOrder, "F4")):
            order = kind(desk.settings, desk.station, make_plan(), "LM-12-0288")
            desk.live = Live(job=order, phase=Phase.ON)
            pilot.app.pump()
            assert state(screen).word == "Not now"
            assert place in state(screen).text
            assert screen.query_one("#read", Button).disabled
            assert screen.query_one("#full", Button).disabled
            for key in "rcs":
                await pilot.press(key)
                assert desk.live.job is order
        desk.live = Live()
        for widget in screen.query("*"):
            assert widget.region.right <= pilot.app.size.width

    drive(make_console(), at_rig(script))
