"""The Why dialog: what stands out of a recorded run, its stroke drawn, and every part to read."""

from __future__ import annotations

from console_runs import screen_text
from recorded import REST, Made, record
from stand_in import until
from textual.containers import VerticalScroll
from textual.widgets import Static

from rig.console.dialogs.why import WhyDialog
from rig.console.widgets.stroke_view import StrokeView

SMALL = (80, 24)


async def why(pilot):
    """Press the key and wait for what is found."""
    await pilot.press("w")
    await until(pilot, lambda: isinstance(pilot.app.screen, WhyDialog))
    dialog = pilot.app.screen
    summary = dialog.query_one("#why-summary", Static)
    await until(pilot, lambda: "Working it out" not in str(summary.content))
    await pilot.pause()
    return dialog


async def opened(pilot, run_id):
    verdict = pilot.app.get_screen("verdict")
    verdict.show_run(run_id)
    pilot.app.go("verdict")
    await until(pilot, lambda: verdict.view is not None and verdict.view.run_id == run_id)


async def test_a_bind_is_told_drawn_and_every_part_is_reached_by_keys(make_console, tmp_path):
    records = tmp_path / "logs" / "records.sqlite"
    bound, still = record(
        records,
        Made("LM-12-0288", (9, 1, 8), ("binding=6",)),
        Made("LM-12-0289", (9, 2, 8), steps=(REST,)),
    )
    console = make_console(records=records)
    async with console.run_test(size=SMALL) as pilot:
        await opened(pilot, bound)
        dialog = await why(pilot)
        assert "Binds at 9" in screen_text(console)
        text = dialog.query_one("#why-text", VerticalScroll)
        assert console.focused is text
        await until(pilot, lambda: text.max_scroll_y > 20)
        drawn = "\n".join(dialog.query_one(StrokeView).text_lines)
        assert "B binds" in drawn
        assert drawn.count("B") == 2  # in the legend, and at its place
        for title in ("Half-turn times", "Motor", "Feed, contacts and earth", "Fuse against"):
            await until_seen(pilot, title)
        await pilot.press("escape")
        assert console.screen.place == "verdict"
        # A run without half-turns is told in words; from the list of runs by the same key.
        console.go("records")
        await until(pilot, lambda: getattr(console.screen, "place", "") == "records")
        table = console.screen.query_one("RunTable")
        await until(pilot, lambda: table.row_count == 2)
        table.focus()
        await pilot.pause()
        assert console.screen._chosen.run_id == still
        dialog = await why(pilot)
        said = str(dialog.query_one("#why-summary", Static).content)
        assert "has no trace of half-turns" in said
        await pilot.press("w")
        assert console.screen.place == "records"


async def until_seen(pilot, title):
    """Page down until a title is on the screen."""
    for _ in range(12):
        if title in screen_text(pilot.app):
            return
        await pilot.press("pagedown")
        await pilot.pause(0.3)
    raise AssertionError(f"{title} is not to be reached")
