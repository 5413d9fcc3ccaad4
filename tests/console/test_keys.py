"""Every key is told: in the footer, which fits, or in the help; actions also by name."""

import pytest
from bench_runs import HALF_TURNS, make_plan
from console_pilot import accept, question
from console_runs import (
    by_hand_order,
    ended,
    rig_check_order,
    run_order,
    running,
    screen_rows,
    screen_text,
)
from stand_in import until
from textual.binding import BindingsMap
from textual.screen import ModalScreen
from textual.widgets import Footer

from rig.console.app import HalfturnConsole, _screen
from rig.console.dialogs.ask import AskDialog
from rig.console.dialogs.fault import FaultDialog
from rig.console.dialogs.help import HelpDialog, key_name
from rig.console.dialogs.message import ChoiceDialog
from rig.console.dialogs.note import NoteDialog
from rig.console.places import EVERY, PLACES, places

VISUAL = make_plan('[[step]]\nkind = "visual"\nchecks = ["housing"]\n', HALF_TURNS)
NOW_S = 1000.0


@pytest.fixture
def console(make_console):
    return make_console(until_s=0.0, now_s=lambda: NOW_S)


def keys_told(console):
    """Return keys and words of the rows of a help that is shown whole."""
    rows = [row.split("┃")[1][2:].rstrip() for row in screen_rows(console) if row.count("┃") > 1]
    told, keys = [], ""
    for row in rows:
        if not row.startswith("  "):
            keys, _, words = row.partition("  ")
        else:
            words = row  # what the same key does at other times
        told.append((keys, words.strip()))
    return told


def own_bindings(screen):
    """Return the bindings that the screen and its own widgets declare."""
    kinds = {kind for node in [screen, *screen.query("*")] for kind in type(node).__mro__}
    ours = (kind for kind in kinds if kind.__module__.startswith("rig."))
    declared = [BindingsMap(vars(kind).get("BINDINGS", ())) for kind in ours]
    return [binding for bindings in declared for _, binding in bindings]


async def test_the_help_tells_every_key_of_every_screen_and_what_the_screen_is_for(console):
    async with console.run_test(size=(80, 64)) as pilot:
        for place in (place for place in EVERY if not place.several_only):
            console.go(place.name)
            await pilot.pause()
            screen = console.screen
            await pilot.press("f1")
            assert isinstance(console.screen, HelpDialog)
            text = screen_text(console).replace("┃", " ")
            guide = " ".join(screen.guide.split())
            assert guide[:30] in " ".join(text.split())
            told = keys_told(console)
            everywhere = BindingsMap(HalfturnConsole.BINDINGS)
            not_here = {"Stations", "Next station", "Stop this one"}  # this rig has one station
            declared = [*own_bindings(screen), *(b for _, b in everywhere)]
            for binding in (one for one in declared if one.description not in not_here):
                assert binding.description, f"{binding.key} of {place.title} is not described"
                names = {binding.key_display, key_name(binding.key)}
                assert any(
                    names & set(keys.split(", ")) and words.partition(":")[0] == binding.description
                    for keys, words in told
                ), f"{binding.key} ({binding.description}) of {place.title} is not in the help"
            await pilot.press("escape")
            await until(pilot, lambda: console.screen is screen)  # noqa: B023
            await assert_keys_fit(pilot)
        # In a small terminal a long one is read on by the keyboard.
        console.go("records")
        await pilot.resize_terminal(80, 24)
        await pilot.press("f1")
        await until(pilot, lambda: isinstance(console.screen, HelpDialog))
        assert "List of actions" not in screen_text(console)
        for _ in range(4):
            await pilot.press("pagedown")
        await until(pilot, lambda: "List of actions" in screen_text(console))


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("f12", "F12"),
        ("ctrl+x", "^X"),
        ("escape", "Esc"),
        ("a", "A"),
        ("pageup", "Page up"),
        ("shift+tab", "Shift+Tab"),
        ("slash", "/"),
    ],
)
def test_a_key_is_written_as_it_stands_on_the_keyboard(key, name):
    assert key_name(key) == name


def test_every_letter_works_as_a_capital_too_and_is_written_as_one():
    kinds = [AskDialog, *(type(_screen(place.name)) for place in PLACES)]
    letters = [
        (kind, binding)
        for kind in kinds
        for _, binding in BindingsMap(kind.BINDINGS)
        if len(binding.key) == 1
    ]
    assert len(letters) > 40
    for kind, binding in letters:
        other = kind._merge_bindings().key_to_bindings[binding.key.swapcase()]
        assert binding.action in {each.action for each in other}, (kind, binding)
        assert binding.key_display == binding.key.upper() or len(binding.key_display) > 1


# --- the footer ----------------------------------------------------------------------------------


async def footer_of(pilot, *keys):
    """Return the footer's row once it shows ``keys``: what it holds fits into it."""
    console = pilot.app
    await until(pilot, lambda: all(key in screen_rows(console)[-1] for key in keys))
    (footer,) = console.screen.query(Footer)
    assert footer.size.height == 1
    used = sum(key.outer_size.width for key in footer.children if key.display)
    told = f"{type(console.screen).__name__}: {screen_rows(console)[-1]}"
    assert used <= footer.size.width == console.size.width, told
    assert footer.max_scroll_x == 0, told
    return screen_rows(console)[-1]


async def assert_keys_fit(pilot):
    await footer_of(pilot, "F12 Feeds off", "F1 Help")
    assert "SIMULATED" in screen_rows(pilot.app)[0]


async def test_the_footers_of_jobs_fit_too(console):
    async with console.run_test(size=(80, 24)) as pilot:
        # A job, and the places whose keys depend on it; without one they were seen above.
        states = (
            (run_order(console), ["bench", "live", "verdict", "world"]),
            (by_hand_order(console), ["bench", "by_hand"]),
            (rig_check_order(console), ["rig"]),
        )
        for job, names in states:
            await running(pilot, job, at_s=1.5)
            for name in names:
                console.go(name)
                await until(pilot, lambda: console.screen.place == name)  # noqa: B023
                await assert_keys_fit(pilot)
            await pilot.press("f12")
            await ended(pilot)


async def test_the_footers_of_dialogs_fit_and_tell_how_to_get_out(console):
    async with console.run_test(size=(80, 24)) as pilot:
        await running(pilot, run_order(console, VISUAL, consent=False, ask_operator=True))
        await question(pilot, "accept_cautions")
        await footer_of(pilot, "F12 Feeds off")
        await accept(pilot)
        dialog = await question(pilot, "inspect")
        await footer_of(pilot, "F12 Feeds off", "O In order")
        dialog.query_one("#note").focus()
        await footer_of(pilot, "Back to the answers")
        await pilot.press("f12")
        await ended(pilot)
        for dialog in (
            HelpDialog(console.place_screen),
            FaultDialog(),
            NoteDialog("LM-12-0288", (), "", lambda text: None),
            ChoiceDialog("What now?", "Choose.", (("stay", "Stay"), ("go", "Go"))),
        ):
            await until(pilot, lambda: not isinstance(console.screen, ModalScreen))
            console.push_screen(dialog)
            await until(pilot, lambda: console.screen is dialog)  # noqa: B023
            await footer_of(pilot, "Esc")
            await pilot.press("escape")


def test_a_question_has_a_key_for_every_answer_the_bench_may_allow():
    answers = ("accepted", "refused", "ok", "fault", "done", "cannot")
    actions = {binding.action for _, binding in BindingsMap(AskDialog.BINDINGS)}
    assert {f"answer('{answer}')" for answer in answers} <= actions


# --- the list of actions -------------------------------------------------------------------------


async def test_the_list_of_actions_has_ours_in_our_words_and_nothing_else(console):
    async with console.run_test(size=(80, 44)) as pilot:
        await pilot.press("ctrl+p")
        await until(pilot, lambda: "Quit" in screen_text(console))
        text = screen_text(console)
        for place in places(True):
            assert (f"Go to {place.title}" in text) is (place.name != "bench")
            assert (place.tells in text) is (place.name != "bench")
        for action in ("Feeds off", "Help", "Dark or light", "Quit"):
            assert action in text
        # What can be done on this screen now, with its keys, before anything else.
        assert "Start F9 a run of this plan" in text
        assert text.index("^L the plan: its file may be another now") < text.index("Go to Live")
        assert "Pause" not in text
        for not_ours in ("Theme", "Screenshot", "Maximize", "palette", "🔎", "Search for"):
            assert not_ours not in text
        await pilot.press(*"zzz")
        await until(pilot, lambda: "Nothing of that name can be done" in screen_text(console))
        assert "No matches" not in screen_text(console)
        await pilot.press("backspace", "backspace", "backspace")
        await pilot.press(*"records", "enter")
        await until(pilot, lambda: getattr(console.screen, "place", "") == "records")
        # Feeds off is one of them, and does it; and what belongs to a run that is on.
        await running(pilot, at_s=2.0)
        console.go("live")
        await until(pilot, lambda: console.screen.place == "live")
        await pilot.press("ctrl+p", *"pause")
        await until(pilot, lambda: "when the half-turn that is on" in screen_text(console))
        await pilot.press("enter")
        await until(pilot, lambda: console.desk.live.pause_wanted)
        await pilot.press("ctrl+p", *"feeds off")
        await until(pilot, lambda: "Take all feeds off" in screen_text(console))
        await pilot.press("enter")
        await ended(pilot)
        assert console.desk.live.ended.feeds_off
