"""What tests of the whole console share: jobs, what is on the screen, and getting there."""

from __future__ import annotations

from bench_runs import HALF_TURNS, feeds_are_on, make_plan
from stand_in import FOREVER_S, rested, until

from rig.bench.commands import Answer
from rig.bench.order import ByHandOrder, RigCheckOrder, RunOrder

LONG = make_plan(HALF_TURNS.replace("count = 2", "count = 40"))


def screen_rows(app):
    """Return what the terminal shows, a text a row."""
    return [strip.text for strip in app.screen._compositor.render_strips()]


def screen_text(app):
    """Return what the terminal shows as one text, gaps as single spaces."""
    return " ".join(" ".join(screen_rows(app)).split())


def run_order(console, plan=LONG, kind=RunOrder, *, consent=True, ask_operator=False, **extra):
    """Return an order as the console makes it."""
    desk = console.desk
    return kind(
        settings=desk.settings,
        station=desk.station,
        plan=plan,
        unit_serial="LM-12-0288",
        operator="jo",
        backend=desk.backend,
        options=desk.options(),
        consent=consent,
        ask_operator=ask_operator,
        **extra,
    )


def by_hand_order(console, **extra):
    return run_order(console, kind=ByHandOrder, **extra)


def rig_check_order(console, **extra):
    desk = console.desk
    return RigCheckOrder(
        desk.settings, desk.station, backend=desk.backend, options=desk.options(), **extra
    )


async def running(pilot, job=None, *, at_s=FOREVER_S):
    """Have a job on, its bench at rest; return the bench.

    It stands still at ``at_s`` if the console was made with ``until_s=0.0``.
    """
    console = pilot.app
    assert console.begin(job or run_order(console)), console.desk.bench_error
    await until(pilot, lambda: console.benches[-1].begun)
    bench = console.benches[-1]
    bench.hold_at(at_s)
    await rested(pilot, bench)
    return bench


async def ended(pilot):
    """Let the job come to its end and the console take note of it."""
    console = pilot.app
    await until(pilot, lambda: not console.desk.live.on)


def assert_feeds_off(console, bench):
    """The world's own pins say that nothing is fed, and the bench confirmed it."""
    assert bench.backend is None or not feeds_are_on(bench.backend, console.desk.settings)
    ended = console.desk.live.ended
    assert ended is not None
    assert ended.feeds_off


async def answer(pilot, *answers):
    """Answer the bench's questions as the dialog would, one after the other."""
    console = pilot.app
    for text in answers:
        await until(pilot, lambda: console.desk.live.asked is not None)
        console.desk.tell(Answer(text))
        await rested(pilot, console.benches[-1])
