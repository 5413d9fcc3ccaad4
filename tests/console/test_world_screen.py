"""The Sim screen: what a simulated job begins with, and what is done to its world later."""

from __future__ import annotations

import pytest
from bench_runs import make_settings
from console_pilot import drive, shown
from console_runs import run_order, running, screen_text
from scripted_bench import ScriptedBench
from stand_in import until
from textual.widgets import Input, OptionList

from drivers import BackendOptions
from drivers.backends import fault_kinds, load_backend
from rig.bench.commands import Meddle
from rig.bench.events import Noted
from rig.console.dialogs.fault import FaultDialog, trouble_with_degree
from rig.console.known_world import known_world
from rig.console.live_job import Phase
from rig.console.widgets.field import Field
from rig.console.widgets.world_form import WorldForm
from rig.console.widgets.world_now import DEEDS, WorldLog, WorldState

KINDS = {kind.name: kind for kind in fault_kinds()}
SETTINGS = make_settings(sample_hz=200, supply=False)


def words(app, selector):
    return " ".join(shown_in(app.screen.query_one(selector)).split())


def shown_in(node):
    return "\n".join(strip.text for strip in node.render_lines(node.size.region))


def trouble(app, name):
    field = app.screen.query_one(f"#{name}-field", Field)
    return " ".join(shown(field).split("! ")[-1].split()) if field.has_class("-wrong") else ""


def faults_listed(app):
    return [option.id for option in app.screen.query_one("#faults-on", OptionList).options]


# --- what is known of the world ---------------------------------------------------------------


def test_what_the_hands_say_was_done_is_understood():
    backend = load_backend("simulated", SETTINGS.wiring(30.0), BackendOptions())
    try:
        notes = []

        def do(action, **detail):
            notes.append(Noted("world", backend.hands.do(action, detail), 1.0))
            return known_world(("dry-gear=3@2.5",), notes)

        expected = {
            "jam": ("Lever", "LOCKED"),
            "free": ("Lever", "free"),
            "press": ("Emergency stop", "PRESSED"),
            "release": ("Emergency stop", "released"),
            "blow": ("Fuse", "BLOWN"),
            "fuse": ("Fuse", "new"),
            "take": ("Unit", "TAKEN OFF"),
            "fit": ("Unit", "fitted"),
        }
        for deed in DEEDS:
            world = do(deed.action, **deed.detail)
            if deed.name in expected:
                part, state = expected[deed.name]
                assert world.parts[part] == state
            else:
                assert ("sensor-absent" in world.faults) is (deed.name == "unplug")
        assert do("hang_load", newton_metre=2.0).parts["Load"] == "2 N m HUNG"
        assert do("apply_fault", fault="jammed=40").faults["jammed"] == "40"
        assert do("clear_fault", name="jammed").faults == {"dry-gear": "3 from 2.5 s on"}
    finally:
        backend.close()


# --- the next job ---------------------------------------------------------------------------------


def test_the_next_jobs_unit_is_chosen_and_what_is_wrong_is_told_and_not_taken(make_console):
    app = make_console()

    async def script(pilot):
        await pilot.press("f8")
        options = app.desk.options()
        for name, right, wrongs, sentence in (
            ("seed", "42", ("", "-1", "1.5", "many", "9" * 40), "is a whole number from 0 to"),
            ("angle", "90", ("361", "-1", "north", "nan"), "a number from 0 to 360 degrees"),
            ("battery", "9.5", ("61", "12 V", "inf"), "a number from 0 to 60 V"),
        ):
            field = app.screen.query_one(f"#{name}", Input)
            for wrong in wrongs:
                field.value = wrong
                await pilot.pause()
                assert sentence in trouble(app, name)
                assert app.desk.options() == options
            field.value = right
            await pilot.pause()
            assert trouble(app, name) == ""
            options = app.desk.options()
        assert options.seed == 42
        assert options.extra == {"angle_deg": "90", "supply_v": "9.5"}
        app.screen.query_one("#spread").focus()
        await pilot.press("enter", "down", "enter")
        assert app.desk.options().extra["spread"] == "0"
        # The simulated bench takes it all; an empty field means its own value again.
        backend = load_backend("simulated", SETTINGS.wiring(30.0), app.desk.options())
        backend.close()
        app.screen.query_one("#angle", Input).value = ""
        await pilot.pause()
        assert "angle_deg" not in app.desk.options().extra
        # Letters do nothing to a world that is not there.
        app.screen.query_one("#faults-on").focus()
        await pilot.press("j", "e", "t")
        assert app.desk.live.phase is Phase.NONE

    drive(app, script)


def test_faults_are_searched_for_given_a_degree_changed_and_cleared(make_console):
    app = make_console()

    async def script(pilot):
        await pilot.press("f8", "ctrl+f")
        dialog = app.screen
        assert isinstance(dialog, FaultDialog)
        listed = dialog.query_one("#fault-list", OptionList)
        assert listed.option_count == len(KINDS)
        await pilot.press(*"zzz")
        assert "No fault is called or means that" in trouble(app, "search")
        await pilot.press("enter", *["backspace"] * 3, *"grease", "enter")
        assert [option.id for option in listed.options] == ["dry-gear"]
        assert app.focused.id == "degree"
        await pilot.press("x", "enter")
        assert "'x' is no such degree: give a number from 1 to 40 times" in trouble(app, "degree")
        assert app.desk.choices.faults == ()
        await pilot.press("backspace", "9", "enter")
        assert app.desk.choices.faults == ("dry-gear=9",)
        assert app.screen.place == "world"
        # One without degree, found with the arrow keys while something is typed.
        await pilot.press("ctrl+f", *"cam", "down", "down")
        assert app.screen.query_one("#degree-field").display is False
        await pilot.press("enter")
        assert app.desk.choices.faults == ("dry-gear=9", "cam-welded")
        assert faults_listed(app) == ["dry-gear", "cam-welded"]
        assert "9 times" in words(app, "#faults-on")
        # Enter on one changes its degree; Escape leaves it.
        await pilot.press("home", "enter")
        assert app.screen.query_one("#degree", Input).value == "9"
        await pilot.press("2", "enter")
        assert app.desk.choices.faults == ("cam-welded", "dry-gear=2")
        await pilot.press("ctrl+f", "escape", "home", "delete")
        assert app.desk.choices.faults == ("dry-gear=2",)
        await pilot.click("#clear-fault")
        assert app.desk.choices.faults == ()
        await pilot.press("delete")
        assert app.desk.choices.faults == ()

    drive(app, script)


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.unit])
def test_a_degree_is_right_exactly_within_the_catalogues_range(name):
    kind = KINDS[name]
    for right in (kind.low, kind.usual, kind.high):
        assert trouble_with_degree(kind, f"{right!r}") == ""
    for wrong in (f"{kind.low - 0.01}", f"{kind.high + 0.01}", "", "nan", "inf", "2@3", "two"):
        told = trouble_with_degree(kind, wrong)
        assert f"give a number from {kind.low:g} to {kind.high:g} {kind.unit}." in told


# --- while a job is on --------------------------------------------------------------------------


def test_while_a_job_is_on_single_keys_and_buttons_meddle_with_its_world(make_console):
    app = make_console(open_bench=ScriptedBench, faults=("dry-gear=3",))

    async def script(pilot):
        assert app.begin(run_order(app))
        bench = app.desk.bench
        bench.begin_run()
        await pilot.press("f8")
        assert not app.screen.query_one(WorldForm).display
        assert "The world of LM-12-0288" in screen_text(app)
        assert faults_listed(app) == ["dry-gear"]
        for deed in DEEDS:
            await pilot.press(deed.key)
            told = bench.told[-1]
            assert told.action == deed.action
            assert dict(told.detail).items() >= {"station": "A", **deed.detail}.items()
        assert bench.told[-1].detail["serial"] == "LM-12-0288"
        await pilot.click("#deed-jam")
        assert bench.told[-1] == Meddle("lock_lever", {"station": "A"})
        # Nothing is known to be done before the bench says so.
        assert "LOCKED" not in words(app, WorldState)
        refused = "Not done: There is no unit on station 'A': fit one first."
        bench.say(
            Noted("world", "lever locked", 3.21),
            Noted("trip_stall", "The unit stands still.", 3.7),
            Noted("world", "fault sensor-absent is on", 4.0),
            Noted("world", refused, 4.5),
        )
        await until(pilot, lambda: "no unit on station" in words(app, WorldLog))
        log = words(app, WorldLog)
        assert "3.2 s lever locked" in log
        assert "guard: The unit stands still." in log
        assert log.index("Not done") < log.index("lever locked")  # newest first
        state = words(app, WorldState)
        assert "Lever LOCKED" in state
        assert "Current sensor UNPLUGGED" in state
        assert faults_listed(app) == ["dry-gear", "sensor-absent"]
        # Faults are applied and cleared on the world that is on; the next job's stay as chosen.
        app.screen.query_one("#faults-on").focus()
        await pilot.press("home", "delete")
        assert bench.told[-1] == Meddle("clear_fault", {"name": "dry-gear", "station": "A"})
        await pilot.press("ctrl+f", *"jammed", "enter", "4", "enter")
        assert bench.told[-1] == Meddle("apply_fault", {"fault": "jammed=4", "station": "A"})
        assert app.desk.choices.faults == ("dry-gear=3",)
        bench.end_run()
        await until(pilot, lambda: not app.desk.live.on)
        await pilot.press("f8")
        assert app.screen.query_one(WorldForm).display
        assert faults_listed(app) == ["dry-gear"]

    drive(app, script)


def test_a_lever_jammed_during_a_run_is_seen_by_the_guard(make_console):
    app = make_console(until_s=0.0)

    async def script(pilot):
        bench = await running(pilot, at_s=2.0)
        await pilot.press("f8", "j")
        await until(pilot, lambda: "lever locked" in words(app, WorldLog))
        bench.advance(6.0)
        await until(pilot, lambda: any(n.kind == "trip_stall" for n in app.desk.live.notes))
        await until(pilot, lambda: not app.desk.live.on)
        await pilot.press("f8")
        assert "guard: The unit drew" in words(app, WorldLog)

    drive(app, script)
