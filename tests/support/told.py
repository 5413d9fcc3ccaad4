"""One console for many tests, at one place, with a job that is told by the test and nothing else.

An application takes a second to start; a module's tests take turns on one instead.
"""

from __future__ import annotations

import asyncio
from contextlib import contextmanager

from bench_runs import make_settings
from console_runs import screen_text
from stand_in import StandIn, until

from rig.console.app import HalfturnConsole
from rig.console.desk import Desk
from rig.console.live_job import Live, Phase


class Clock:
    """The desk's clock, moved by the test."""

    def __init__(self):
        self.s = 1000.0

    def __call__(self):
        return self.s


class Told:
    """The console's desk and the screen under test; ``sent`` is what the bench was told."""

    def __init__(self, pilot, place):
        self.pilot, self.console, self.desk = pilot, pilot.app, pilot.app.desk
        self.place = place
        self.sent = []
        self.desk.poll = list
        self.desk.bench.tell = self.sent.append
        self.desk._begun = True

    @property
    def screen(self):
        return self.console.get_screen(self.place)

    @property
    def state(self):
        return self.screen.state_line.state

    @property
    def text(self):
        return screen_text(self.console)

    def value(self, name):
        return self.screen.numerals[name].value

    def see(self, kind):
        return self.screen.query_one(kind)

    async def start(self, size):
        """Be at the place in a terminal of ``size``, without a job."""
        console = self.console
        while len(console.screen_stack) > 1 and console.screen is not self.screen:
            await console.screen.dismiss() if console.screen.is_modal else console.go(self.place)
            await self.pilot.pause()
        self.desk.live = Live()
        self.desk.tail.clear()
        console.clear_notifications()
        await self.pilot.resize_terminal(*size)
        console.go(self.place)
        await until(self.pilot, lambda: console.screen is self.screen)
        await self.hear()
        self.sent.clear()

    async def anew(self, job, *events, rows=(), phase=Phase.STARTING):
        """Have another job on, and this told of it."""
        self.desk.live = Live(job=job, phase=phase)
        self.desk.tail.clear()
        self.desk._fresh_s = self.desk._now_s()
        self.sent.clear()
        await self.hear(*events, rows=rows)

    async def hear(self, *events, rows=()):
        """Hear events, get samples, and draw."""
        for part in rows:
            self.desk.tail.add(part)
        for event in events:
            self.desk.live.take(event)
            self.screen.on_news(event)
        self.screen.show_all()
        await self.pilot.pause()

    async def fits(self):
        """Check that everything displayed lies on the screen."""
        for widget in self.screen.query("*"):
            if widget.display and widget.region.area:
                assert self.screen.region.contains_region(widget.region), widget


@contextmanager
def told_console(place, records):
    """Yield a function that runs ``script(told)`` at ``place`` on one console."""
    desk = Desk(
        make_settings(sample_hz=200, supply=False),
        records,
        lambda: StandIn(records, 0.0),
        backend="simulated",
        now_s=Clock(),
    )
    desk.choices.serial, desk.choices.operator = "LM-12-0288", "jo"
    loop = asyncio.new_event_loop()
    scripts, done = asyncio.Queue(), asyncio.Queue()

    async def hold():
        # All in one task: Textual keeps the running application in the task's context.
        console = HalfturnConsole(desk)
        console.scanner_s = 0.0
        async with console.run_test() as pilot:
            await pilot.pause()
            told = Told(pilot, place)
            while (part := await scripts.get()) is not None:
                script, size = part
                try:
                    await told.start(size)
                    await script(told)
                except BaseException as error:
                    await done.put(error)
                else:
                    await done.put(None)

    async def one(script, size):
        await scripts.put((script, size))
        turn = asyncio.ensure_future(done.get())
        await asyncio.wait([turn, task], return_when=asyncio.FIRST_COMPLETED)
        if not turn.done():
            await task  # the application failed: raises why
        error = turn.result()
        if error is not None:
            raise error

    def run(script, size=(80, 24)):
        loop.run_until_complete(one(script, size))

    task = loop.create_task(hold())
    try:
        yield run
        loop.run_until_complete(scripts.put(None))
        loop.run_until_complete(task)
    finally:
        loop.close()
        desk.close()
