"""Runs that go on when the console is left: started from it, left, come back to."""

from dataclasses import replace
from itertools import chain

from bench_runs import feeds_are_on
from console_pilot import settings_with_plans
from console_runs import LONG, ended, run_order, screen_text
from stand_in import FOREVER_S, StandIn, rested, until

from rig.bench.commands import Stop
from rig.bench.errors import BenchError, OccupiedError
from rig.console.dialogs.message import ChoiceDialog
from rig.records.model import RunState

NOW_S = 1000.0
FED_S = 2.0


class Lasting(StandIn):
    """A bench that can be left: what it told is told again to whoever comes back."""

    outlives = True
    left = False

    @property
    def goes_on(self):
        stopped = any(isinstance(command, Stop) for command in self.commands)
        return self.job is not None and self.job.detached and not stopped

    def close(self, wait_s=10.0):
        if self.goes_on:
            self.left = True
            return True
        return super().close(wait_s)

    def end(self):
        self.tell(Stop("the test is over"))
        self._thread.join(10.0)
        self.ring.close()


def still_clock():
    return NOW_S


async def at_work(make_console, tmp_path, **extra):
    """Return a console that comes to a bench in mid-run, and that bench."""
    records = tmp_path / "logs" / "records.sqlite"
    records.parent.mkdir(exist_ok=True)
    bench = Lasting(records, FED_S)
    coming = chain([bench], iter(lambda: StandIn(records), None))
    console = make_console(records=records, open_bench=lambda: next(coming), now_s=still_clock)
    bench.begin(replace(run_order(console), detached=True, unit_serial="LM-12-0417"))
    return console, bench


async def test_a_console_comes_back_to_what_went_on_without_it(make_console, tmp_path):
    console, bench = await at_work(make_console, tmp_path)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        await rested(pilot, bench)
        desk = console.desk
        assert console.screen.place == "live"
        assert "went on by itself" in screen_text(console)
        assert desk.live.on
        assert desk.live.step.number == 1
        assert desk.choices.serial == "LM-12-0417"
        assert "LM-12-0417" in screen_text(console)
        assert "BATTERY" in screen_text(console)  # and the feeds as they are
        await pilot.press("f2")
        assert "A run is on, by itself" in screen_text(console)
        await pilot.press("f12")
        await rested(pilot, bench)
        await ended(pilot)
        assert desk.live.ended.state is RunState.STOPPED


async def test_it_can_be_left_going_on(make_console, tmp_path):
    console, bench = await at_work(make_console, tmp_path)
    async with console.run_test(size=(80, 24)) as pilot:
        await rested(pilot, bench)
        await pilot.press("ctrl+q")
        assert "goes on by itself" in screen_text(console)
        await pilot.press("enter")  # what has the focus does no harm
        await until(pilot, lambda: not isinstance(console.screen, ChoiceDialog))
        await pilot.press("ctrl+q", "tab", "enter")
        await until(pilot, lambda: not console.is_running or console.return_value is not None)
    console.desk.close()
    assert console.return_value == 0
    assert bench.left
    assert bench.commands == []
    assert feeds_are_on(bench.backend, console.desk.settings)
    bench.end()


async def test_or_ended_as_ever(make_console, tmp_path):
    console, bench = await at_work(make_console, tmp_path)
    async with console.run_test(size=(80, 24)) as pilot:
        await rested(pilot, bench)
        await pilot.press("ctrl+q", "tab", "tab", "enter")
        await until(pilot, lambda: not console.is_running or console.return_value is not None)
    console.desk.close()
    assert not bench.left
    assert not feeds_are_on(bench.backend, console.desk.settings)


async def test_a_signal_that_ends_the_console_leaves_it_going_on(make_console, tmp_path):
    console, bench = await at_work(make_console, tmp_path)
    async with console.run_test(size=(80, 24)) as pilot:
        await rested(pilot, bench)
        console._end_by_signal(7)
        await until(pilot, lambda: console.return_code is not None)
    console.desk.close()
    assert bench.left
    assert bench.commands == []
    bench.end()


def console_with_plan(make_console, tmp_path, open_apart):
    settings = settings_with_plans(tmp_path, long=LONG.text)
    console = make_console(settings=settings, plan="long", until_s=0.0, now_s=still_clock)
    console.desk.open_apart = open_apart
    return console


async def test_a_run_is_started_on_a_bench_that_outlives_the_console(make_console, tmp_path):
    made = []

    def open_apart():
        made.append(Lasting(tmp_path / "logs" / "records.sqlite", FOREVER_S))
        return made[-1]

    console = console_with_plan(make_console, tmp_path, open_apart)
    (tmp_path / "logs").mkdir(exist_ok=True)
    async with console.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: console.desk.ready)
        await pilot.press("ctrl+o")
        await until(pilot, lambda: made and made[0].begun)
        bench = made[0]
        assert bench.job.detached
        assert not console.benches[0].begun
        await until(pilot, lambda: console.desk.live.asked is not None)  # the cautions, as ever
        assert console.place_screen.place == "live"
        await pilot.press("f12")
        await ended(pilot)
    assert len(made) == 1


async def test_why_there_is_none_is_said(make_console, tmp_path):
    def open_apart():
        raise BenchError("A bench that goes on by itself cannot be started: made up.")

    console = console_with_plan(make_console, tmp_path, open_apart)
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: console.desk.ready)
        await pilot.press("ctrl+o")
        await until(pilot, lambda: "cannot be started: made up" in screen_text(console))
        assert not console.desk.live.on
        await pilot.press("ctrl+o")  # and may be tried again
        await until(pilot, lambda: not console._starting_apart)


def occupied():
    raise OccupiedError(4711)


async def test_a_bench_that_another_console_commands_is_told_and_its_job_ended_by_f12(make_console):
    stopped = []

    def stop_other():
        stopped.append(True)
        return "The job of the bench that goes on by itself (process 4711) was ended."

    console = make_console(open_bench=occupied)
    console.desk.stop_other = stop_other
    async with console.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: "process 4711" in screen_text(console))
        await until(pilot, lambda: "FEEDS NOT KNOWN HERE" in screen_text(console))
        assert not console.begin(run_order(console))
        assert not console.desk.live.on
        await pilot.press("f12")
        await until(pilot, lambda: "4711) was ended" in screen_text(console))
        assert stopped == [True]


async def test_an_idle_console_gives_its_bench_up_for_one_that_goes_on_by_itself(
    make_console, tmp_path
):
    records = tmp_path / "logs" / "records.sqlite"
    records.parent.mkdir()
    there = []
    idle = StandIn(records)
    closed = []
    idle.close = lambda: closed.append(True) or True
    clock = [NOW_S]
    console = make_console(
        records=records,
        open_bench=lambda: there[0] if there else idle,
        now_s=lambda: clock[0],
    )
    console.desk._others = lambda: bool(there)
    async with console.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: console.desk.ready)
        bench = Lasting(records, FED_S)
        bench.begin(replace(run_order(console), detached=True, unit_serial="LM-12-0417"))
        there.append(bench)
        clock[0] += 60.0
        await until(pilot, lambda: console.desk.live.on)
        assert closed == [True]
        await rested(pilot, bench)
        assert console.screen.place == "live"
        assert "LM-12-0417" in screen_text(console)
    console.desk.close()
    bench.end()
