"""Working a console in tests: scripts of keys and clicks, the bench's questions, what is shown."""

from __future__ import annotations

import asyncio

from bench_runs import HEAD, make_settings
from rich.text import Text
from stand_in import until
from textual import events
from textual.events import Key
from textual.keys import _character_to_key
from textual.widgets import Static

from rig.console.dialogs.ask import AskDialog

LOOK = '[[step]]\nkind = "visual"\nchecks = ["lever_free", "housing"]\n'
ZERO = '[[step]]\nkind = "zero"\nduration_s = 0.3\n'
TURNS = '[[step]]\nkind = "half_turns"\ncount = 2\npause_s = 0.4\n'


def drive(console, script, size=(80, 24)):
    """Run ``script(pilot)`` on ``console`` in a terminal of ``size``."""

    async def run():
        async with console.run_test(size=size) as pilot:
            await pilot.pause()
            await script(pilot)

    asyncio.run(run())


def settings_with_plans(folder, **plans):
    """Return a rig's settings whose plans are ``plans`` (name=text of the steps or whole plan)."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in plans.items():
        whole = text if "title" in text else HEAD + text
        (folder / f"{name}.toml").write_text(whole)
    return make_settings(sample_hz=200, supply=False).model_copy(update={"plans": folder})


def unhurried(console):
    """Have a console take keys as they come: tests are quicker than people."""
    console.action_keys.again_after_s = console.answer_keys.again_after_s = 0.0
    console.scanner_s = 0.0


def key_at(name, time_s):
    """Return the press of a key at a time (s) of our own: this machine may be slow."""
    event = Key(name, " " if name == "space" else name if len(name) == 1 else None)
    event.time = time_s
    return event


async def scan(pilot, text, enters=1, end="enter"):
    """Send ``text`` and its ``end`` as a scanner does: all at once, to whatever has the focus."""
    for character in text:
        pilot.app.post_message(events.Key(_character_to_key(character), character))
    for _ in range(enters):
        pilot.app.post_message(events.Key(end, "\t" if end == "tab" else "\r"))
    await pilot.pause()


async def question(pilot, action=None):
    """Wait for the bench's next question (of ``action``) to be on the screen; return its dialog."""

    def is_shown():
        screen, asked = pilot.app.screen, pilot.app.desk.live.asked
        return (
            isinstance(screen, AskDialog)
            and screen.focused is not None
            and asked is not None
            and action in (None, asked.ask.action)
        )

    await until(pilot, is_shown)
    return pilot.app.screen


async def accept(pilot):
    """Read the cautions to their end and accept them."""
    dialog = await question(pilot, "accept_cautions")
    await until(pilot, lambda: _scrolled_to_the_end(dialog))
    await pilot.press("a")
    await until(pilot, lambda: pilot.app.screen is not dialog)


def _scrolled_to_the_end(dialog):
    text = dialog.query_one("#ask-text")
    text.scroll_end(animate=False)
    return not dialog.query_one("#answer-accepted").disabled


def shown(node):
    """Return the text of what is to be seen in ``node``, line after line."""
    lines = []
    for widget in node.query(Static):
        if all(part.display for part in widget.ancestors_with_self if hasattr(part, "display")):
            lines.append(_plain(widget))
    return "\n".join(lines)


def _plain(widget):
    visual = widget.render()
    if isinstance(visual, Text) or hasattr(visual, "plain"):
        return visual.plain
    strips = widget.render_lines(widget.size.region)
    return "\n".join(strip.text for strip in strips)
