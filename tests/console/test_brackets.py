"""Names and paths are shown as they are: what stands in square brackets is no markup."""

from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest
from console_pilot import drive, settings_with_plans, shown
from console_runs import screen_rows, screen_text
from rich.console import Console
from stand_in import until
from textual.widgets import Select

from drivers.backends import fault_kinds
from rig.console.dialogs import ask, fault
from rig.console.dialogs.question_words import Asking
from rig.console.screens.world import WorldScreen
from rig.console.widgets import wiring_view

PLAN, STATION, RIG = "x[red]y", "A [bold]", Path("/home/pi/[jig]/rig.toml")
STEPS = '[[step]]\nkind = "zero"\nduration_s = 0.3\n'


def odd_settings(folder):
    settings = settings_with_plans(folder, **{PLAN: STEPS})
    stations = tuple(s.model_copy(update={"name": STATION}) for s in settings.stations)
    return settings.model_copy(update={"stations": stations, "file": RIG})


def test_odd_names_and_paths_are_shown_whole_on_every_screen(make_console, tmp_path):
    console = make_console(settings=odd_settings(tmp_path / "plans"), plan=PLAN, station=STATION)

    async def script(pilot):
        async def at(key, place):
            await pilot.press(key)
            await until(pilot, lambda: pilot.app.place_screen.place == place)
            await pilot.pause()
            return pilot.app.screen

        bench = await at("f2", "bench")
        assert PLAN in screen_text(console)
        assert STATION in screen_text(console)
        for name, prompt in (("plan", PLAN), ("station", STATION)):
            select = bench.query_one(f"#{name}", Select)
            select.focus()
            await pilot.press("enter")
            await until(pilot, lambda: select.expanded)  # noqa: B023
            rows = [row for row in screen_rows(console) if prompt in row.split(" SIMULATED")[-1]]
            assert len(rows) > 1, "not both chosen and in the list"
            await pilot.press("escape")
        await at("f4", "by_hand")
        assert PLAN in screen_text(console)
        rig = await at("f7", "rig")
        assert STATION in shown(rig)
        assert str(RIG) in " ".join(shown(rig).split())
        for key, place in (("f3", "live"), ("f5", "verdict"), ("f6", "records"), ("f8", "world")):
            await at(key, place)

    drive(console, script, size=(120, 60))


@pytest.mark.parametrize(
    "line",
    [
        lambda text: ask._table(Asking("", "", (("", text),))),
        lambda text: wiring_view._table([("", text)]),
        lambda text: wiring_view._sentences([text]),
        lambda text: fault._line(replace(fault_kinds()[0], says=text)),
        lambda text: WorldScreen()._fault_line("weak-battery", text),
    ],
)
def test_a_cell_of_a_table_is_shown_whole(line):
    console = Console(width=80, file=StringIO())
    console.print(line("x[red]y[/nonsense]"))
    assert "x[red]y[/nonsense]" in console.file.getvalue()
