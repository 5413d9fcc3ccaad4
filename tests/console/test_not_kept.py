"""A bench that has something to say after the run has begun, or cannot begin it."""

from __future__ import annotations

import pytest
import stand_in
from bench_runs import HALF_TURNS, make_plan
from console_runs import run_order, screen_text
from stand_in import until

from drivers import DriverError
from rig.bench.keeper import DirectKeeper
from rig.console.dialogs.message import MessageDialog
from rig.console.live_job import Phase
from rig.console.screens.verdict import END_NOT_KEPT
from rig.records.errors import RecordsError

SHORT = make_plan(HALF_TURNS)


class NoEnd(DirectKeeper):
    def finish_run(self, run_id, end):
        raise RecordsError("The disk is full.")


def no_backend(*args):
    raise DriverError("The bus does not answer.")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_a_verdict_that_cannot_be_recorded_is_shown_all_the_same(
    make_console, monkeypatch, size
):
    monkeypatch.setattr(stand_in, "DirectKeeper", NoEnd)
    console = make_console()
    async with console.run_test(size=size) as pilot:
        assert console.begin(run_order(console, SHORT))
        await until(pilot, lambda: isinstance(console.screen, MessageDialog))
        text = screen_text(console)
        assert "The bench has a problem" in text
        assert "verdict was pass: write it down." in text
        await pilot.press("enter")
        await until(pilot, lambda: console.screen.place == "verdict")
        assert console.desk.live.phase is Phase.ENDED
        await until(pilot, lambda: END_NOT_KEPT in screen_text(console))
        text = screen_text(console)
        assert "LM-12-0288 keeps every limit that was judged" in text
        assert "PASS" in text
        await pilot.press("f3")
        assert "Run over, a problem" in screen_text(console)


async def test_a_bench_that_will_not_begin_is_told_so(make_console, monkeypatch):
    monkeypatch.setattr(stand_in, "load_backend", no_backend)
    console = make_console()
    async with console.run_test(size=(80, 24)) as pilot:
        assert console.begin(run_order(console, SHORT))
        await until(pilot, lambda: isinstance(console.screen, MessageDialog))
        text = screen_text(console)
        assert "The bench did not begin" in text
        assert "The bus does not answer." in text
        assert console.desk.live.phase is Phase.REFUSED
