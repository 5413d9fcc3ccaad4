"""Ends of a real `halfturn console` in mid-run, on a terminal of its own, in real time."""

import os
import signal
import sys
import time
from pathlib import Path

import pytest
from bench_runs import HALF_TURNS, HEAD
from pty_console import PtyConsole

from rig.records.model import RunState
from rig.records.store import Store
from rig.settings import starter_text

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="needs Linux pseudo-terminals")

PLAN = HEAD + HALF_TURNS.replace("count = 2", "count = 40")
# `halfturn console`, which begins a run by itself once its bench is ready.
BEGINS = """
import sys
from rig.bench.order import RunOrder
from rig.console.app import HalfturnConsole
pump = HalfturnConsole.pump
def begin(console):
    desk = console.desk
    if desk.ready and desk.live.job is None:
        console.begin(RunOrder(
            desk.settings, desk.station, desk.plan("a_long_one"), "LM-12-0288",
            options=desk.options(), consent=True,
        ))
        console.go("live")
    pump(console)
HalfturnConsole.pump = begin
"""
# And the Live screen breaks as soon as a half-turn is on.
BREAKS = """
from rig.console.screens.live import LiveScreen
draw = LiveScreen.on_frame
def on_frame(screen):
    draw(screen)
    if screen.desk.fresh and screen.desk.tail.last("ignition_feed") > 0:
        raise ZeroDivisionError("made up")
LiveScreen.on_frame = on_frame
"""
# And it goes on drawing for a while after the terminal was lost, as a busy one may.
LATE = """
end_by_signal = HalfturnConsole._end_by_signal
HalfturnConsole._end_by_signal = lambda console, status: console.set_timer(
    4.0, lambda: end_by_signal(console, status)
)
"""
OPENS = """
from rig.cli import main
sys.exit(main(["console"]))
"""


@pytest.fixture
def folder(tmp_path):
    text = starter_text().replace("sample_hz = 1000", "sample_hz = 200")
    (tmp_path / "rig.toml").write_text(text)
    (tmp_path / "test_plans").mkdir()
    (tmp_path / "test_plans" / "a_long_one.toml").write_text(PLAN)
    return tmp_path


@pytest.fixture
def opened(folder):
    consoles = []

    def open_console(**how):
        consoles.append(PtyConsole(folder, **how))
        return consoles[-1]

    yield open_console
    for console in consoles:
        console.close()


def start_a_run(console):
    """Choose the first plan, type unit and operator, start, accept the cautions."""
    console.wait_for("Operator")
    console.settle()
    console.keys("\x1b[Z", "\r")  # back to the plan, its list
    console.wait_for("a_long_one")
    console.keys("\x1b[B", "\r", "\t")
    console.keys("LM-12-0288", "\t", "\t", "\t", "jo", "\x1b[20~")  # F9
    accept(console)


def accept(console, since=0):
    """Read the cautions to their end and accept them."""
    console.wait_for("Before the first feed", since)
    console.settle()
    console.keys("\x1b[F")
    console.wait_for("licensed", since)
    time.sleep(1.0)  # nobody answers what was not yet to be read
    console.keys("\x1b[F", "a")
    console.wait_for("Run on", since)


def run_is_on(console, since=0):
    """Wait until both feeds are made; return the number of the bench's process."""
    console.wait_for("BATTERY + IGNITION ON", since)
    (bench,) = children(console.process.pid)
    return bench


def children(pid):
    """Return the process numbers of the benches of ``pid``."""
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(c) for c in found if b"spawn_main" in Path(f"/proc/{c}/cmdline").read_bytes()]


def is_there(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z"
    except OSError:
        return False


def runs(folder):
    """Return what is recorded, newest first, as the console's Records find it."""
    with Store.open(folder / "logs" / "records.sqlite") as store:
        store.mark_interrupted()
        return [store.run(summary.run_id) for summary in store.runs()]


def assert_ended_by_a_signal(run):
    assert run.end.state is RunState.INTERRUPTED
    assert run.end.feeds_off
    assert "signal" in run.end.note
    assert len(run.steps) == 1  # what was cut short is kept


@pytest.mark.parametrize("more", ["", LATE], ids=["at_once", "still_drawing"])
def test_a_lost_terminal_ends_console_and_bench_with_the_feeds_off(opened, folder, more):
    console = opened(program=("-c", BEGINS + more + OPENS))
    bench = run_is_on(console)
    console.hang_up()
    assert console.ended() == 7
    assert not is_there(bench)
    (run,) = runs(folder)
    assert_ended_by_a_signal(run)


def test_what_breaks_in_the_console_ends_with_a_sentence_and_the_feeds_off(opened, folder):
    console = opened(program=("-c", BEGINS + BREAKS + OPENS))
    assert console.ended() == 70
    console.wait_for("the program itself failed")
    assert "Traceback" not in console.text
    assert "made up" in console.text
    kept = Path(console.text.split("The details are in ")[1].split(";")[0].replace("\r\n", ""))
    assert "ZeroDivisionError" in kept.read_text()
    kept.unlink()
    (run,) = runs(folder)
    assert run.end.state in (RunState.STOPPED, RunState.INTERRUPTED)
    assert run.end.feeds_off


def test_a_killed_bench_is_told_the_next_one_works_and_sigterm_ends_it(opened, folder):
    console = opened()
    start_a_run(console)
    seen = console.drawn_bytes
    os.kill(run_is_on(console), signal.SIGKILL)
    console.wait_for("The bench process has gone", since=seen)
    console.wait_for("FEEDS NOT KNOWN", since=seen)
    console.settle()
    console.keys("\t", "\r")  # start again
    accept(console, since=seen)
    seen = console.drawn_bytes
    bench = run_is_on(console, since=seen)
    console.process.send_signal(signal.SIGTERM)
    assert console.ended() == 7
    assert not is_there(bench)
    after, before = runs(folder)
    assert_ended_by_a_signal(after)
    assert before.end.state is RunState.INTERRUPTED
    assert "Traceback" not in console.text
