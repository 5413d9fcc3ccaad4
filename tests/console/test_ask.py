"""What somebody at the jig is asked: nothing is answered by accident, feeds off always works."""

from __future__ import annotations

import pytest
from console_pilot import drive, scan, settings_with_plans, shown
from console_runs import run_order, screen_text
from scripted_bench import ScriptedBench
from stand_in import until
from textual import events
from textual.widgets import Button, Input

from rig.bench.at_the_jig import AT_THE_JIG
from rig.bench.cautions import CAUTIONS
from rig.bench.commands import Answer, Note, Stop
from rig.bench.events import Asked
from rig.bench.requests import Ask
from rig.console.dialogs import ask
from rig.console.dialogs.ask import SCANNER_S, AskDialog
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import MessageDialog
from rig.console.dialogs.question_words import asking_of
from rig.console.held_keys import HeldKeys
from rig.console.live_job import Live
from rig.console.screen import DeskScreen
from rig.visual import VISUAL_CHECKS

STEPS = """[[step]]
kind = "visual"
checks = ["lever_free", "housing"]
[[step]]
kind = "visual"
checks = ["clamped", "cable_kinked", "water_inside"]
"""
LOOKS = ("ok", "fault", "cannot")
JIG_ACTIONS = (*AT_THE_JIG, "something_new")


@pytest.fixture
def console(make_console, tmp_path):
    settings = settings_with_plans(tmp_path / "plans", look=STEPS)
    app = make_console(settings=settings, open_bench=ScriptedBench)
    app.desk._now_s = lambda: 0.0  # nothing grows old: what is sampled once is live, a stop in time
    app.order = run_order(app, app.desk.plan("look"), consent=False, ask_operator=True)
    return app


async def begun(pilot):
    app = pilot.app
    assert app.begin(app.order)
    bench = app.desk.bench
    bench.begin_run()
    return bench


async def asked(pilot, bench, *question, **detail):
    before = pilot.app.screen
    bench.ask(*question, **detail)
    await until(pilot, lambda: pilot.app.screen is not before and pilot.app.screen.focused)
    assert isinstance(pilot.app.screen, AskDialog)
    return pilot.app.screen


async def answered(pilot, bench, *answers):
    """An answer waits a moment, for what may turn out to be a scan."""
    await until(pilot, lambda: bench.answers == [*answers])
    await pilot.pause()


async def to_note(pilot):
    """It, too, waits a moment."""
    await pilot.press("n")
    await until(pilot, lambda: isinstance(pilot.app.focused, Input))


async def cautions(pilot, bench):
    dialog = await asked(pilot, bench, "accept_cautions", "Read?", ("accepted", "refused"))
    await pilot.pause()
    return dialog


def words(node):
    return " ".join(shown(node).split())


# --- cautions ------------------------------------------------------------------------------------


def test_cautions_can_be_accepted_only_after_their_end_was_shown(console):
    async def script(pilot):
        bench = await begun(pilot)
        dialog = await cautions(pilot, bench)
        for caution in CAUTIONS:
            assert caution in words(dialog)
        last_words = " ".join(CAUTIONS[-1].split()[-3:])
        assert last_words not in screen_text(console)
        assert "Read to the end first" in words(dialog)
        # Nothing hasty accepts: not Enter where the focus is, not the key, not a click.
        await pilot.press("enter", "a", "escape")
        await pilot.click("#answer-accepted")
        assert console.screen is dialog
        assert bench.answers == []
        assert "waits for an answer" in words(dialog)
        pages = 0
        while dialog.query_one("#answer-accepted", Button).disabled:
            await pilot.press("space")
            pages += 1
            assert pages < 10
        assert pages
        assert last_words in screen_text(console)
        await pilot.press("enter", "a")
        await answered(pilot, bench, "accepted")
        assert console.screen is not dialog

    drive(console, script)


def test_in_a_large_terminal_all_cautions_are_seen_at_once_and_can_be_refused(console):
    async def script(pilot):
        bench = await begun(pilot)
        dialog = await cautions(pilot, bench)
        for caution in CAUTIONS:
            assert caution.split()[-1] in screen_text(console)
        accept = dialog.query_one("#answer-accepted", Button)
        await until(pilot, lambda: not accept.disabled)
        assert "Before the first feed · LM-12-0288" in screen_text(console)
        # Where the run could not be seen, it is not begun.
        await pilot.resize_terminal(60, 40)
        await until(pilot, lambda: accept.disabled)
        await pilot.press("a")
        await pilot.pause(2 * SCANNER_S)
        assert bench.answers == []
        assert "Make this terminal larger first" in words(dialog)
        await pilot.resize_terminal(120, 60)
        await until(pilot, lambda: not accept.disabled)
        await pilot.press("r")
        await answered(pilot, bench, "refused")

    drive(console, script, size=(120, 40))


# --- visual checks -------------------------------------------------------------------------------


def test_a_visual_check_is_answered_by_one_key_with_its_note_sent_before(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(2)
        check = VISUAL_CHECKS["cable_kinked"]
        for key, answer in (("o", "ok"), ("f", "fault"), ("c", "cannot")):
            dialog = await asked(
                pilot, bench, "inspect", check.question, LOOKS, seen="fault", check=check.name
            )
            text = words(dialog)
            assert "Visual check 2 of 3" in text
            for part in (check.question, check.look_for, check.fault_text):
                assert part in text
            assert "asks for another test" in text  # of the cable: not held against the unit
            assert "The simulated unit shows a fault here" in text
            # Letters and Enter in the note are the note's.
            bench.told.clear()
            await to_note(pilot)
            await pilot.press(*"ofc", "enter")
            assert bench.told == []
            assert console.screen is dialog
            await pilot.press(key)
            await answered(pilot, bench, answer)
            assert bench.told == [Note("Visual check cable_kinked: ofc"), Answer(answer)]

    drive(console, script)


def test_neither_a_note_that_cannot_be_kept_nor_a_scanned_label_answers(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        check = VISUAL_CHECKS["housing"]
        dialog = await asked(pilot, bench, "inspect", check.question, LOOKS, check=check.name)
        assert "It fails the unit." in words(dialog)
        assert "simulated" not in words(dialog).lower()
        await scan(pilot, "lm-12-ofc")
        await scan(pilot, "LM-12-OFC")
        await scan(pilot, "o24-0417")
        await scan(pilot, "fc7")
        # Letters that are keys here, though not answers to this question.
        for label in ("ok", "on", "oa", "of", "ofc", "o n", "na", "NTH-P7", "NO-F"):
            await scan(pilot, label)
            await pilot.press("escape")
            assert console.screen is dialog, label
            assert dialog.query_one("#note", Input).value == "", label
        await pilot.pause(2 * SCANNER_S)
        assert console.screen is dialog
        assert bench.told == []
        note = dialog.query_one("#note", Input)
        for text, trouble in (
            ("crack\x07ed", "has a character at place 6 that cannot be printed"),
            ("x" * 201, "has 201 characters; at most 200 are allowed"),
        ):
            note.value = ""
            note.focus()
            await pilot.pause()
            note.post_message(events.Paste(text))
            await pilot.pause()
            await pilot.click("#answer-fault")
            await until(pilot, lambda: f"The note {trouble}" in words(dialog))  # noqa: B023
            assert console.focused is note
            assert bench.told == []
        note.value = "cracked"
        await pilot.press("escape", "f")
        await answered(pilot, bench, "fault")
        assert bench.told == [Note("Visual check housing: cracked"), Answer("fault")]

    drive(console, script)


# --- something to do at the jig ------------------------------------------------------------------


def test_a_key_held_down_answers_one_question_only(console):
    async def script(pilot):
        bench = await begun(pilot)
        await asked(pilot, bench, "inspect", "Free?", LOOKS, check="lever_free")
        await pilot.press("o")
        await answered(pilot, bench, "ok")
        console.answer_keys.again_after_s = 60.0  # long: this machine may be slow
        dialog = await asked(pilot, bench, "inspect", "Whole?", LOOKS, check="housing")
        for _ in range(5):
            await pilot.press("o")
            await pilot.pause(0.15)
        assert pilot.app.screen is dialog
        assert "Let go of the key" in screen_text(pilot.app)
        assert bench.answers == ["ok"]
        console.answer_keys.again_after_s = 0.0  # it was let go
        await pilot.pause(0.15)
        await pilot.press("o")
        await until(pilot, lambda: pilot.app.screen is not dialog)

    drive(console, script)


@pytest.mark.parametrize("delay_s", [0.033, 0.25, 0.66])
def test_a_key_held_for_long_is_one_answer_however_late_it_begins_to_repeat(delay_s):
    keys = HeldKeys()
    times_s = [0.0, *(delay_s + 0.033 * number for number in range(40))]
    assert [keys.is_held("ok", at_s) for at_s in times_s] == [False] + 40 * [True]
    assert not keys.is_held("fault", times_s[-1])
    assert not keys.is_held("ok", times_s[-1] + keys.again_after_s)


def test_forty_repeats_of_a_key_answer_one_question(console):
    async def script(pilot):
        bench = await begun(pilot)
        dialog = await asked(pilot, bench, "inspect", "Free?", LOOKS, check="lever_free")
        await scan(pilot, "o" * 40, enters=0)
        await answered(pilot, bench, "ok")
        assert pilot.app.screen is not dialog
        # It is held on into the next question, and was held when a later one came.
        console.answer_keys.again_after_s = 60.0
        for check in ("housing", "clamped"):
            dialog = await asked(pilot, bench, "inspect", "Whole?", LOOKS, check=check)
            console.answer_keys = HeldKeys(60.0)  # long after the last answer
            await scan(pilot, "o" * 40, enters=0)
            await pilot.pause(2 * SCANNER_S)
            assert pilot.app.screen is dialog
            assert "Let go of the key" in screen_text(pilot.app)
            dialog.dismiss(None)
            await until(pilot, lambda: pilot.app.screen is not dialog)  # noqa: B023
        assert bench.answers == ["ok"]

    drive(console, script)


def test_an_answer_waits_on_while_the_program_is_too_busy_to_see_the_rest_of_a_label(
    console, monkeypatch
):
    async def script(pilot):
        bench = await begun(pilot)
        dialog = await asked(pilot, bench, "inspect", "Free?", LOOKS, check="lever_free")
        dialog._answer("ok", events.Event().time - 1.5 * SCANNER_S)
        await scan(pilot, "24-0417")
        await pilot.pause(2 * SCANNER_S)
        assert pilot.app.screen is dialog
        assert bench.answers == []
        monkeypatch.setattr(ask, "SCANNER_S", 0.01)
        await pilot.press("o")
        await answered(pilot, bench, "ok")

    drive(console, script)


def test_capitals_answer_as_well(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        dialog = await asked(pilot, bench, "inspect", "Whole?", LOOKS, check="housing")
        await pilot.press("N")
        await until(pilot, lambda: console.focused is dialog.query_one("#note"))
        await pilot.press("escape", "F")
        await answered(pilot, bench, "fault")

    drive(console, script)


def test_something_to_do_shows_its_caution_and_that_the_feeds_are_off(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        dialog = await asked(pilot, bench, "lock_lever", "Lock the lever at stop.")
        bench.feed()
        await until(pilot, lambda: "feeds are off" in words(dialog))
        text = words(dialog)
        assert "Lock the lever at stop." in text
        assert "never by hand" in text
        assert "The step is left out, which the record shows." in text
        # It is told as it is, not as it ought to be.
        bench.feed(battery=True)
        await until(pilot, lambda: "BATTERY ON: hands off" in words(dialog))
        await pilot.press("escape", "enter")
        assert bench.answers == []
        await pilot.click("#answer-done")
        await answered(pilot, bench, "done")
        await asked(pilot, bench, "free_lever", "Free the lever.")
        await to_note(pilot)
        await pilot.press("p", "enter", "c")
        await answered(pilot, bench, "done", "cannot")
        assert bench.told[-2] == Note("Free the lever: p")

    drive(console, script)


def test_the_help_of_a_question_tells_its_keys_and_answers_nothing(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        dialog = await asked(pilot, bench, "look", "Is the lever free?", LOOKS, seen="lever_free")
        await pilot.press("f1")
        await until(pilot, lambda: isinstance(pilot.app.screen, MessageDialog))
        told = words(pilot.app.screen)
        for button in dialog.query(Button):
            name, key = str(button.label).rsplit(maxsplit=1)
            assert f"{key} {name}" in told
        assert "F12 Feeds off" in told
        await pilot.press("enter")
        await until(pilot, lambda: pilot.app.screen is dialog)
        assert bench.answers == []

    drive(console, script)


def test_a_question_closes_the_help_and_takes_old_words_off_the_screen(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        await pilot.press("f1")
        await until(pilot, lambda: isinstance(pilot.app.screen, HelpDialog))
        pilot.app.say("This is of before.")
        await asked(pilot, bench, "hang_load", "Hang it.", ("done", "cannot"))
        assert not pilot.app._notifications
        await pilot.press("d")
        await answered(pilot, bench, "done")
        assert isinstance(pilot.app.screen, DeskScreen)

    drive(console, script)


# --- feeds off, and questions that nobody needs to answer any more -------------------------------


def test_feeds_off_works_inside_each_kind_of_question(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        for action, allowed in (
            ("accept_cautions", ("accepted", "refused")),
            ("inspect", LOOKS),
            ("hang_load", ("done", "cannot")),
        ):
            dialog = await asked(pilot, bench, action, "?", allowed, check="housing")
            assert "Feeds off" in screen_text(console)
            if action == "inspect":
                await to_note(pilot)
                await pilot.press("x")
            for key in ("f12", "ctrl+x"):
                bench.told.clear()
                await pilot.press(key)
                assert any(isinstance(told, Stop) for told in bench.told)
            assert bench.answers == []
        # The bench confirms: the question is void and goes.
        bench.end_run()
        await until(pilot, lambda: console.screen is not dialog)
        assert not console.desk.live.on
        assert bench.answers == []

    drive(console, script)


def test_a_question_that_became_void_under_another_dialog_goes_without_an_answer(console):
    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        dialog = await asked(pilot, bench, "inspect", "Whole?", LOOKS, check="housing")
        console.push_screen(MessageDialog("Something else", "To be read first."))
        await pilot.pause()
        bench.end_run()
        await until(pilot, lambda: dialog.dismiss_when_shown)
        await pilot.press("escape")
        await until(pilot, lambda: dialog not in console.screen_stack)
        assert bench.answers == []

    drive(console, script)


# --- every question ------------------------------------------------------------------------------


def test_every_question_fits_a_small_terminal_with_its_answers_in_sight(console):
    longest = sorted(VISUAL_CHECKS.values(), key=lambda check: -len(check.fault_text))[:2]

    async def script(pilot):
        bench = await begun(pilot)
        bench.begin_step(1)
        for check in longest:
            await fits(pilot, bench, "inspect", check.question, LOOKS, check=check.name)
        for action in ("lock_lever", "free_lever"):
            await fits(pilot, bench, action, "Do it. " * 20, ("done", "cannot"))

    async def fits(pilot, bench, *question, **detail):
        dialog = await asked(pilot, bench, *question, seen="fault", **detail)
        await pilot.press("escape")
        for part in (*dialog.query(Button), *dialog.query("#ask-hint, #ask-seen, #ask-title")):
            assert not part.display or dialog.region.contains_region(part.region)
        for button in dialog.query(Button):
            assert str(button.label).split()[0] in screen_text(console)
        await pilot.press("c")
        await until(pilot, lambda: console.screen is not dialog)

    drive(console, script)


@pytest.mark.parametrize("action", JIG_ACTIONS)
def test_whatever_is_to_be_done_is_put_in_words(action):
    asking = asking_of(Asked(Ask(action, "Please do it.")), Live())
    assert asking.title
    assert asking.question == "Please do it."


@pytest.mark.parametrize("name", VISUAL_CHECKS)
def test_every_visual_check_says_what_a_fault_there_means(name):
    check = VISUAL_CHECKS[name]
    asking = asking_of(Asked(Ask("inspect", "?", LOOKS, {"check": name}), "ok"), Live())
    text = " ".join(text for _, text in asking.paragraphs)
    assert check.look_for in text
    assert ("It fails the unit." in text) is check.of_unit
    assert "nothing wrong" in asking.seen
