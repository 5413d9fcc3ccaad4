"""The Bench screen: what is filled in, what is told before anything is fed, and starting."""

from __future__ import annotations

from bench_runs import HEAD
from console_pilot import TURNS, ZERO, accept, drive, question, scan, settings_with_plans, shown
from hypothesis import given
from hypothesis import strategies as st
from stand_in import rested, until
from textual import events
from textual.widgets import Input, Select, Static

from rig.bench.commands import GoOn, Pause, RepeatStep, Stop
from rig.console.live_job import Phase
from rig.console.widgets.field import Field
from rig.console.widgets.head import Head
from rig.console.widgets.plan_view import PlanView
from rig.console.widgets.unit_form import UnitForm
from rig.labels import trouble_with
from rig.records.model import Source

HEAVY = HEAD.replace("over_current_a = 33.0", "over_current_a = 90.0") + ZERO
MISTYPED = ZERO.replace("duration_s", "duration")


def trouble(app, name):
    field = app.screen.query_one(f"#{name}-field", Field)
    return shown(field).split("! ", 1)[-1] if field.has_class("-wrong") else ""


def read_out(app):
    return " ".join(shown(app.screen.query_one(PlanView)).split())


def pick(app, name):
    return app.screen.query_one(f"#{name}", Select)


# --- filling in ---------------------------------------------------------------------------------


def test_station_plan_source_and_unit_are_chosen_by_keys_alone_and_stay(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO)
    second = settings.stations[0].model_copy(update={"name": "B"})
    settings = settings.model_copy(update={"stations": (*settings.stations, second)})
    app = make_console(settings=settings, serial="", operator="")

    async def script(pilot):
        assert app.focused.id == "serial"
        await pilot.press("up", "up", "enter", "down", "enter")
        assert app.desk.choices.station == "B"
        await until(pilot, lambda: "Station B" in shown(app.screen.query_one(Head)))
        await until(pilot, lambda: app.focused is not None and app.focused.id == "serial")
        await pilot.press("up", "up")
        await pilot.press("tab", "enter")
        names = ["", *app.desk.plans()]  # the list begins with no plan at all
        await pilot.press("home", *["down"] * names.index("quick"), "enter")
        assert app.desk.choices.plan == "quick"
        assert "Sensor zero" in read_out(app)
        await pilot.press("tab")
        await scan(pilot, "LM-12-0288", enters=0)
        await pilot.press("tab", "enter", "end", "enter", "tab", "L", "7", "tab", *"sam")
        choices = app.desk.choices
        assert (choices.serial, choices.source) == ("LM-12-0288", Source.DELIVERY_LOT)
        assert (choices.reference, choices.operator) == ("L7", "sam")
        assert "Lot no." in shown(app.screen.query_one(UnitForm))
        await pilot.press("f8", "f2")
        assert app.focused.id == "serial"
        assert app.screen.query_one("#operator", Input).value == "sam"
        assert pick(app, "plan").value == "quick"

    drive(app, script)


def test_a_scanner_may_be_used_anywhere_and_never_starts_a_run(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO)
    app = make_console(settings=settings, plan="quick", serial="", operator="")

    async def script(pilot):
        await scan(pilot, "LM-12-0288")
        assert app.desk.choices.serial == "LM-12-0288"
        assert app.focused.id == "operator"
        await pilot.press("j", "o", "enter")
        assert isinstance(app.focused, PlanView)
        assert "Ready: F9" in shown(app.screen)
        # The next units, scanned with the focus wherever it is; this scanner sends Enter twice.
        for serial, focus in (
            ("LM-12-0289", PlanView),
            ("LM-12-0290", "#start"),
            ("LM-12-0291", "#plan"),
            ("LM-12-0292", "#serial"),
        ):
            app.screen.query_one(focus).focus()
            await pilot.pause()
            await scan(pilot, serial, enters=2)
            assert app.desk.choices.serial == serial
        assert app.desk.choices.plan == "quick"
        assert app.desk.live.phase is Phase.NONE
        # Typed by a person with the focus elsewhere: it goes on in the field.
        app.screen.query_one(PlanView).focus()
        await pilot.press("X")
        await until(pilot, lambda: app.focused.id == "serial")
        await pilot.press("end", "Y")
        assert app.desk.choices.serial == "XY"
        # A lot has a number, which is gone on to while it is empty.
        app.desk.choices.source = Source.DELIVERY_LOT
        app.screen.query_one("#serial").focus()
        await scan(pilot, "LM-12-0293")
        assert app.focused.id == "reference"

    drive(app, script)


# --- wrong input --------------------------------------------------------------------------------


def test_an_empty_form_is_told_at_its_fields_and_nothing_starts(make_console):
    app = make_console(serial="", operator="")

    async def script(pilot):
        await pilot.press("f9")
        assert trouble(app, "plan").startswith("Choose the plan")
        assert trouble(app, "serial").startswith("Which unit is on the jig?")
        assert app.focused.id == "plan"
        assert app.desk.live.phase is Phase.NONE
        # What is mended is no longer told.
        await pilot.press("tab", "L")
        assert trouble(app, "serial") == ""
        await pilot.press("backspace", "enter")
        assert trouble(app, "serial").startswith("Which unit is on the jig?")
        assert app.focused.id == "serial"

    drive(app, script)


def test_what_cannot_be_printed_or_is_too_long_is_told_at_its_field(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO)
    app = make_console(settings=settings, plan="quick")

    async def script(pilot):
        for name, said in (
            ("serial", "The serial number"),
            ("reference", "The number"),
            ("operator", "The name"),
        ):
            field = app.screen.query_one(f"#{name}", Input)
            good = field.value
            field.focus()
            await pilot.pause()
            field.post_message(events.Paste("LM\x07-12"))
            await pilot.pause()
            await pilot.press("f9")
            assert f"{said} has a character at place 3" in " ".join(trouble(app, name).split())
            assert app.focused is field
            field.value = "x" * 101
            await pilot.press("f9")
            assert "has 101 characters; at most" in " ".join(trouble(app, name).split())
            assert app.desk.live.phase is Phase.NONE
            field.value = good
            await pilot.pause()
            assert trouble(app, name) == ""

    drive(app, script)


@given(st.text(max_size=80), st.integers(1, 70))
def test_a_label_is_right_exactly_if_it_is_short_and_prints(text, longest):
    is_right = len(text) <= longest and text.isprintable()
    assert (trouble_with(text, longest) == "") is is_right


# --- the plan, before anything is fed ------------------------------------------------------------


def test_a_plan_is_read_out_with_its_steps_and_limits(make_console):
    app = make_console(plan="qualify")

    async def script(pilot):
        text = read_out(app)
        assert "Qualification of a rebuilt unit" in text
        assert "Jam test: you lock the lever; fed for 0.2 s, at most 28 A" in text
        # make_settings(supply=False): a supply sweep cannot be done on this rig.
        assert "Supply sweep: left out on this rig" in text
        assert "Half-turn at most 2 s at 8 V, 1.2 s at 12 V, 1 s at 16 V" in text
        assert "The rig takes the feeds away above 33 A for 10 ms" in text
        assert "spare fuses at hand" in text  # cautions_on_rig
        assert "shunt 5 mohm" in text  # describe_sensor
        assert "Cannot start" not in text

    drive(app, script, size=(120, 40))


def test_what_keeps_a_plan_from_starting_is_told_with_what_to_do_next(make_console, tmp_path):
    plans = tmp_path / "plans"
    settings = settings_with_plans(plans, broken=MISTYPED, gone=ZERO, heavy=HEAVY)
    app = make_console(settings=settings, plan="broken")
    lines = (plans / "broken.toml").read_text().splitlines()
    line = lines.index("duration = 0.3") + 1

    async def script(pilot):
        for plan, said, next_action in (
            (
                "broken",
                f"broken.toml line {line}, step[1].duration: this key is not known",
                "and press Ctrl+L to read it again, or choose another plan",
            ),
            # The rig reads to 64 A.
            ("heavy", "64 A at most", "leave the console (Ctrl+Q) and start it again"),
            ("gone", "its file has gone", "Choose another plan"),
        ):
            app.desk.choices.plan = plan
            if plan == "gone":
                (plans / "gone.toml").unlink()
            await pilot.press("ctrl+l")
            assert "Cannot start" in read_out(app)
            assert said in read_out(app)
            assert next_action in read_out(app)
            assert "Not ready" in shown(app.screen)
            await pilot.press("f9")
            assert app.desk.live.phase is Phase.NONE
            assert isinstance(app.focused, PlanView)
        # Mended outside, read again, ready.
        settings_with_plans(plans, broken=ZERO)
        app.desk.choices.plan = "broken"
        await pilot.press("ctrl+l")
        assert "Cannot start" not in read_out(app)
        assert "Ready" in shown(app.screen)

    drive(app, script, size=(120, 40))


# --- starting, and while a job is on --------------------------------------------------------------


def test_f9_hands_over_the_order_and_goes_to_live(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO)
    app = make_console(settings=settings, plan="quick", reference="J-31", faults=("dry-gear=3",))

    async def script(pilot):
        await pilot.press("f9")
        await question(pilot, "accept_cautions")
        job = app.desk.live.job
        assert (job.unit_serial, job.operator, job.reference) == ("LM-12-0288", "jo", "J-31")
        assert (job.plan.name, job.station.name) == ("quick", "A")
        assert (job.consent, job.ask_operator) == (False, True)
        assert job.options.faults == ("dry-gear=3",)
        assert app.place_screen.place == "live"

    drive(app, script)


def test_while_a_run_is_on_it_can_be_paused_gone_on_with_repeated_and_stopped(
    make_console, tmp_path
):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO + TURNS)
    app = make_console(until_s=1.6, settings=settings, plan="quick")

    async def script(pilot):
        await pilot.click("#start")
        await accept(pilot)
        bench = app.benches[0]
        await until(pilot, lambda: app.desk.live.step is not None and bench.still)
        await pilot.press("f2")
        text = shown(app.screen)
        assert "A run is on" in text
        assert "LM-12-0288" in text
        assert "Start the run" not in text
        assert not app.screen.query_one(UnitForm).display
        app.screen.query_one("#do-stop").focus()
        await pilot.pause()
        await scan(pilot, "lm-12-0289pr", enters=1)
        assert app.screen.place == "bench"
        assert app.desk.choices.serial == "LM-12-0288"
        assert wishes(bench) == []
        await pilot.press("ctrl+r")
        assert "This step will be repeated" in " ".join(shown(app.screen).split())
        await pilot.press("ctrl+r", "f9")
        assert "It pauses when" in " ".join(shown(app.screen).split())
        await pilot.press("f9", "f9")
        expected = [RepeatStep(True), RepeatStep(False), Pause(), GoOn(), Pause()]
        assert wishes(bench) == expected
        bench.advance(20)
        await until(pilot, lambda: app.desk.live.phase is Phase.PAUSED)
        assert "Paused, feeds off" in shown(app.screen)
        bench.hold_at(0.0)
        await pilot.click("#do-go-on")
        await until(pilot, lambda: app.desk.live.phase is Phase.ON)
        assert wishes(bench) == [*expected, GoOn()]
        await pilot.press("f12")
        assert any(isinstance(command, Stop) for command in bench.commands)
        await until(pilot, lambda: not app.desk.live.on)
        await pilot.press("f2")
        assert app.focused.id == "serial"
        assert app.screen.query_one("#start").display

    drive(app, script)


def test_what_the_last_job_left_is_told_before_the_next_begins(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", quick=ZERO + TURNS)
    app = make_console(until_s=1.6, settings=settings, plan="quick")

    async def script(pilot):
        await pilot.press("f9")
        await accept(pilot)
        assert "midway" not in shown(app.screen)
        app.benches[0].hold_at(2.6)
        await rested(pilot, app.benches[0])
        await pilot.press("f12")
        await until(pilot, lambda: not app.desk.live.on)
        await pilot.press("f2")
        assert "The lever of LM-12-0288 may stand midway" in before_the_next(app)
        assert "gone" not in before_the_next(app)
        # A look at the rig is no news of it, another unit is none of its.
        await pilot.press("f7", "r")
        await until(pilot, lambda: app.desk.live.rig_check and app.desk.live.began is None)
        await pilot.press("f12")
        await until(pilot, lambda: not app.desk.live.on)
        await pilot.press("f2")
        assert "The lever of LM-12-0288 may stand midway" in before_the_next(app)
        app.screen.query_one("#serial", Input).value = "LM-12-0289"
        await until(pilot, lambda: "midway" not in before_the_next(app))
        await pilot.press("f9")
        await accept(pilot)
        app.benches[-1].die()
        await until(pilot, lambda: app.desk.live.phase is Phase.GONE)
        await pilot.press("escape", "f2")
        await until(pilot, lambda: getattr(app.screen, "place", "") == "bench")
        assert "The bench process has gone" in before_the_next(app)
        assert "F9 starts another" in before_the_next(app)
        assert "The lever of LM-12-0289 may stand midway" in before_the_next(app)

    drive(app, script)


def before_the_next(app):
    return str(app.screen.query_one("#ready", Static).render())


def wishes(bench):
    return [c for c in bench.commands if isinstance(c, Pause | GoOn | RepeatStep)]
