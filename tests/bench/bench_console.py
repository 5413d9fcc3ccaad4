"""What the console costs: a frame of its live screens, and how late the control loop gets by it.

Frames, of Live and of Stations with two and four stations at work: CPU time from taking in 50 ms of
a 1 kHz run (samples and events) until Textual has drawn it, headless, against a plain loop that
only sets the dots of two half-turns.
Lateness: sample times of a real-time run at 1 kHz in a bench process against the loop's own grid of
deadlines, with nobody watching and with the console drawing on a pseudo-terminal, in turns.
Run by hand: ``python tests/bench/bench_console.py``.
"""

from __future__ import annotations

import asyncio
import gc
import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
from bench_console_drawing import half_turn, naive_rows
from bench_runs import HALF_TURNS, make_order, make_plan, make_settings
from pty_console import PtyConsole
from several import Stations, several_stations

from drivers import BackendOptions
from drivers.simulated.backend import SimulatedBackend
from rig.bench.events import Ready, RunEnded, StepBegan
from rig.bench.keeper import DirectKeeper
from rig.bench.process import BenchClient, be_ready_to_spawn
from rig.bench.ring import SampleRing
from rig.bench.session import Session
from rig.console import app
from rig.console.app import FRAMES_PER_S, HalfturnConsole
from rig.console.desk import Desk
from rig.records.model import RunState
from rig.records.store import Store

SAMPLE_HZ = 1000
PERIOD_S = 1 / SAMPLE_HZ
SIZES = ((80, 24), (100, 24), (120, 40))
COUNTS = (2, 4)  # of stations, all at work
FRAMES = 160  # 8 s of a run: the frames in which half-turns fall and pile up behind
TURNS = 8
REPEATS = 3
PLAN = make_plan(HALF_TURNS.replace("count = 2", f"count = {TURNS}"))
SETTINGS = make_settings(sample_hz=SAMPLE_HZ, supply=False)


def order():
    return make_order(PLAN, settings=SETTINGS)


# --- frames --------------------------------------------------------------------------------------


class Notebook:
    """Notes what a run in virtual time shows, each thing with the number of samples before it."""

    def __init__(self):
        self.samples = []
        self.events = []

    def show(self, event):
        self.events.append((len(self.samples), event))

    def sample(self, sample):
        self.samples.append(sample)

    def ask(self, ask, wait):
        raise AssertionError(ask.action)

    def listen(self):
        return ()


class Replay:
    """A bench that plays a run from the notebook, as fast as it is asked to."""

    pid = None
    job = None
    alive = True
    outlives = goes_on = False

    def __init__(self, notebook):
        self.ring = SampleRing()
        self._notebook = notebook
        self._events = [(0, Ready())]
        self._played = 0

    def begin(self, job):
        self._events.extend(self._notebook.events)

    def tell(self, command):
        pass

    def play(self, samples):
        for sample in self._notebook.samples[self._played : self._played + samples]:
            self.ring.write(sample)
        self._played += samples

    def events(self, wait_s=0.0):
        while self._events and self._events[0][0] <= self._played:
            yield self._events.pop(0)[1]

    def close(self, wait_s=0.0):
        self.ring.close()


def noted_run(folder):
    """Return a notebook of a run in virtual time."""
    notebook = Notebook()
    job = order()
    backend = SimulatedBackend(job.wiring(), job.options)
    try:
        with Store.open(folder / "noted.sqlite") as store:
            Session(job, backend, DirectKeeper(store), notebook).run()
    finally:
        backend.close()
    return notebook


async def frames_ms(notebook, folder, size, place="live", count=1):
    """Return the CPU time of each frame of ``place``, ms, with ``count`` stations at work."""
    stations = Stations(
        several_stations(count, SAMPLE_HZ), folder, open_bench=lambda _: Replay(notebook)
    )
    console, desks = stations.console, stations.desks
    spent = []
    async with console.run_test(size=size) as pilot:
        console._pumping.pause()  # frames are made below, one by one
        benches = list(stations.bench.values())
        for name in stations.bench:
            assert console.begin(stations.order(name, PLAN))
        console.go(place)
        began = next(n for n, event in notebook.events if isinstance(event, StepBegan))
        for bench in benches:
            bench.play(began)
        console.pump()
        await pilot.pause()
        assert console.screen.place == place
        for _ in range(FRAMES):
            for bench in benches:
                bench.play(SAMPLE_HZ // FRAMES_PER_S)
            drawn = asyncio.Event()
            before = time.thread_time()
            console.pump()
            console.screen.call_after_refresh(drawn.set)
            await drawn.wait()
            spent.append(1000 * (time.thread_time() - before))
    desks.close()
    return spent


def plain_loop_ms():
    """Return the median CPU time of setting the dots of two half-turns in a plain loop, ms."""
    spent = []
    for frame in range(FRAMES):
        series = [half_turn(frame), half_turn(frame + 1)]
        before = time.thread_time()
        naive_rows(series)
        spent.append(1000 * (time.thread_time() - before))
    return float(np.median(spent))


def print_frames(folder):
    """Print ms a frame at each size against the plain loop."""
    notebook = noted_run(folder)
    gc.freeze()  # the noted run is no part of a console
    loop_ms = plain_loop_ms()
    print(f"frames of the Live screen, {FRAMES} of them at each size, CPU ms")
    print("size        median    p95    max   plain loop / median   share of a core at 20/s")
    for size in SIZES:
        _print_frames(size, asyncio.run(frames_ms(notebook, folder, size)), loop_ms)
    for count in COUNTS:
        print(f"Stations, {count} at work")
        for size in SIZES[::2]:
            spent = asyncio.run(frames_ms(notebook, folder, size, "stations", count))
            _print_frames(size, spent, loop_ms)
    print(f"plain loop, the dots of two half-turns and nothing else: {loop_ms:.2f} ms")


def _print_frames(size, spent, loop_ms):
    median, p95 = np.percentile(spent, (50, 95))
    print(
        f"{size[0]:3d} x {size[1]:<3d} {median:9.2f} {p95:7.2f} {max(spent):6.1f} "
        f"{loop_ms / median:14.1f} {FRAMES_PER_S * np.mean(spent) / 10:20.0f} %"
    )


# --- lateness ------------------------------------------------------------------------------------


class Watched(HalfturnConsole):
    """Begins the run by itself, draws it on Live, and leaves when it is over."""

    CSS_PATH = Path(app.__file__).with_name("console.tcss")
    frames = 0

    def on_mount(self):
        self.set_timer(1.0, self._begin)

    def _begin(self):
        assert self.begin(real_time_order())
        self.began_s, self.began_cpu_s = time.monotonic(), time.process_time()
        self.go("live")

    def pump(self):
        super().pump()
        live = self.desk.live
        self.frames += live.on
        if live.ended is not None and self.return_value is None:
            wall_s = time.monotonic() - self.began_s
            cpu_s = time.process_time() - self.began_cpu_s
            told = {"frames_per_s": self.frames / wall_s, "core": cpu_s / wall_s}
            Path("told.json").write_text(json.dumps(told))
            self.exit(0)


def real_time_order():
    return replace(order(), options=BackendOptions(seed=1, real_time=True))


def run_alone(records):
    """Carry the run out in a bench process, with nothing drawn."""
    with BenchClient(real_time_order(), records) as bench:
        ended = False
        while not ended:
            assert bench.alive
            ended = any(isinstance(event, RunEnded) for event in bench.events(0.2))


def run_watched(records):
    """Carry the run out in a bench process, with the console on this terminal."""
    be_ready_to_spawn()
    desk = Desk(SETTINGS, records, lambda: BenchClient(None, records), backend="simulated")
    desk.warm_up()
    try:
        console = Watched(desk)
        console.run()
        if console.failure is not None:
            raise console.failure
    finally:
        desk.close()


class CutShortError(Exception):
    """The guard ended the run: the machine was too busy for it."""


def lateness_ms(records):
    """Return how late each sample was, ms, by the loop's own rules.

    What a sample always takes (the sensor's own reading) is taken off.
    """
    with Store.open(records) as store:
        (summary,) = store.runs()
        if summary.state is not RunState.FINISHED:
            raise CutShortError
        time_s = store.trace(summary.run_id).time_s
    always_s = np.percentile(lateness_s(time_s, time_s[0]), 1)
    return 1000 * lateness_s(time_s, time_s[0] + always_s)


def lateness_s(time_s, grid_s):
    """Return how far each sample is behind the loop's deadlines, the first of them at ``grid_s``.

    They go on from sample to sample; a loop that is more than a period late starts them anew.
    """
    late_s = np.empty(len(time_s))
    for k, t in enumerate(time_s):
        late_s[k] = t - grid_s
        if late_s[k] > PERIOD_S:
            grid_s = t
        grid_s += PERIOD_S
    return late_s


def measured(how, folder):
    """Return lateness (ms) of a run, and what its console told of itself."""
    folder.mkdir()
    program = (str(Path(__file__).resolve()), how)
    if how == "alone":
        subprocess.run([sys.executable, *program], cwd=folder, check=True)
        return lateness_ms(folder / "records.sqlite"), {}
    console = PtyConsole(folder, program=program, columns=100, rows=24)
    try:
        assert console.ended() == 0, console.text[-2000:]
    finally:
        console.close()
    told = json.loads((folder / "told.json").read_text())
    told["kib_per_s"] = console.drawn_bytes / 1024 / (TURNS * 1.2)
    return lateness_ms(folder / "records.sqlite"), told


def print_lateness(folder):
    """Print the control loop's lateness without and with the console, and their ratio."""
    found = {"alone": [], "watched": []}
    told = {}
    cut_short = dict.fromkeys(found, 0)
    while min(map(len, found.values())) < REPEATS and sum(cut_short.values()) < 2 * REPEATS:
        for how, runs in found.items():
            number = len(runs) + cut_short[how]
            try:
                late_ms, said = measured(how, folder / f"{how}-{number}")
            except CutShortError:
                cut_short[how] += 1
                continue
            runs.append(late_ms)
            told = said or told
    print(f"\nruns cut short by the guard, the machine being too busy: {cut_short}")
    if not all(found.values()):
        print("no lateness: try again when the machine has less to do")
        return
    print(f"lateness of the control loop at {SAMPLE_HZ} Hz, {REPEATS} runs each or more, ms")
    print("             p50     p99   p99.9     max   samples   a whole period late")
    rows = {}
    for how, runs in found.items():
        late_ms = np.concatenate(runs)
        rows[how] = [*np.percentile(late_ms, (50, 99, 99.9)), late_ms.max()]
        numbers = " ".join(f"{value:7.3f}" for value in rows[how])
        share = np.mean(late_ms > 1000 / SAMPLE_HZ)
        print(f"{how:9s} {numbers} {len(late_ms):9d} {share:12.3%}")
    ratios = " ".join(f"{w / a:7.2f}" for a, w in zip(*rows.values(), strict=True))
    print(f"ratio     {ratios}")
    print(
        f"the console meanwhile: {told['frames_per_s']:.1f} frames/s, {told['core']:.0%} of a "
        f"core, about {told['kib_per_s']:.0f} KiB/s to a terminal of 100 x 24"
    )


def main():
    if sys.argv[1:] == ["alone"]:
        run_alone(Path("records.sqlite"))
    elif sys.argv[1:] == ["watched"]:
        run_watched(Path("records.sqlite"))
    else:
        with TemporaryDirectory() as name:
            print_frames(Path(name))
            print_lateness(Path(name))


if __name__ == "__main__":
    main()
