"""Killing controllers of a world that goes on, and what must hold afterwards.

A `Lane` is a world process with records; `Lane.kill` runs one trial on it: a controller is started,
killed in one of the `METHODS` at a random moment of its life, and then the world, the records and
what the controller had reported are held against each other.
"""

from __future__ import annotations

import json
import math
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass, field, replace
from pathlib import Path

import power_cut
from bench_runs import HEAD
from controllers import BACKEND, CommandController, ForkedController, Reported
from worlds import ROOT, WAIT_S, WorldProcess, wait_until

from drivers import BackendOptions
from drivers.simulated.apart import backend as world_backend
from drivers.simulated.apart.observer import Observer
from rig.bench.order import RunOrder
from rig.plans import load_plan
from rig.records.errors import RecordsError
from rig.records.model import RunState
from rig.records.store import Store
from rig.settings import settings_from_text, starter_text

LET_ALONE = "let alone"
BENCH_KILLED = "bench killed"
CONSOLE_KILLED = "console killed"
BOTH_KILLED = "both killed"
STOPPED_KILLED = "stopped, then killed"
STOPPED_CONTINUED = "stopped, then let go on"
OUT_OF_MEMORY = "out of memory"
POWER_CUT = "power cut"
METHODS = (
    BENCH_KILLED,
    CONSOLE_KILLED,
    BOTH_KILLED,
    STOPPED_KILLED,
    STOPPED_CONTINUED,
    OUT_OF_MEMORY,
    POWER_CUT,
)

# The dead-man timer's longest time, and a relay's release: what `ControlLoop.arm` allows.
RELEASE_S = 0.05
STOPPED_S = 0.4  # how long a stopped controller is left so
_ONE_AT_A_TIME = threading.Lock()  # what migrates records is not made for several threads
# What a bench says when its machine was too busy for real time.
LATE = re.compile(r"was held up|master relay (dropped|is still made|did not|does not)|no reading")

ZERO = '[[step]]\nkind = "zero"\nduration_s = 0.2\n'
REST = '[[step]]\nkind = "rest_draw"\nduration_s = 0.2\n'
HALF_TURN = '[[step]]\nkind = "half_turns"\ncount = 1\npause_s = 0.2\n'
STEPS = (ZERO, HALF_TURN, REST, HALF_TURN)


# --- a trial -------------------------------------------------------------------------------


@dataclass
class Trial:
    """One kill: what was done, what was seen, which rules were broken (sentences)."""

    number: int
    method: str
    command: bool  # by `halfturn run`, not out of the nursery
    moment_s: float = 0.0
    fed: bool = False  # a feed was on in the world at that moment
    off_after_s: float | None = None  # when no feed was on any more, after that moment
    reported: Reported = field(default_factory=Reported)
    state: str = ""  # of the run in the record, "" if there is none
    note: str = ""  # of how it ended
    cuts: int = 0
    broken: list[str] = field(default_factory=list)


class Lane:
    """A world with its records, on which one controller after the other is killed.

    ``life_s`` is how long one lives that is not; kills come at random up to then.  ``cuts`` are
    made of each life that a power cut ends: one at its end, the others at random moments before.
    """

    def __init__(
        self, nursery, preload, *, sample_hz=200, supply=False, steps=STEPS, life_s=7.5, cuts=11
    ):
        self.world = WorldProcess()
        self.folder = Path(tempfile.mkdtemp(prefix="kills-"))
        self.nursery, self.preload, self.cuts = nursery, preload, cuts
        self.life_s = {False: life_s, True: life_s + 2.5}
        self.rig, self.plan = self.folder / "rig.toml", self.folder / "kills.toml"
        text = starter_text().replace("sample_hz = 1000", f"sample_hz = {sample_hz}")
        if not supply:
            text = text.replace('kind = "scpi"', 'kind = "none"')
        self.rig.write_text(text)
        self.plan.write_text(HEAD.replace("Test plan", "Kills") + "".join(steps))
        self.settings = settings_from_text(text, self.rig)
        self.order = RunOrder(
            settings=self.settings,
            station=self.settings.stations[0],
            plan=load_plan(self.plan),
            unit_serial="",
            backend=BACKEND,
            options=BackendOptions(real_time=True, extra={"world": str(self.world.folder)}),
            consent=True,
        )
        self.kinds = tuple(step.kind for step in self.order.plan.steps)
        self.held_s = self.order.wiring().dead_man.timeout_s + RELEASE_S
        self.records = self.folder / "records.sqlite"
        self.disk = self.folder / "disk"
        self.disk.mkdir()
        self._kept = {}  # file -> {serial: its steps}, of runs that are over
        world_backend(self.order.wiring(), self.order.options).close()
        self.observer = Observer(self.world.folder)
        self._news = []

    def close(self):
        """End the world and remove everything."""
        self.observer.close()
        self.world.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    # --- the kill -------------------------------------------------------------------------

    def let_alone(self, number, *, command=False):
        """Run a plan and kill nobody; it must finish.

        A machine that is too busy for real time may make the guard end it, rightly: then once more.
        """
        trial = self.kill(number, LET_ALONE, "", command=command)
        if not trial.broken and LATE.search(trial.note):
            trial = self.kill(number + 0.1, LET_ALONE, "", command=command)
        if trial.state != RunState.FINISHED and not LATE.search(trial.note):
            trial.broken.append(f"a run that was let alone did not finish: {trial.note}")
        return trial

    def kill(self, number, method, seed, *, command=False):
        """Carry out one trial."""
        rng = random.Random(f"{seed} {number}")
        trial = Trial(number, method, command)
        serial = f"K-{number}"
        self.observer.do("fit_unit", serial=serial)  # parked, whatever the last one was left at
        self._news += self.observer.news()
        before, records, cut = None, self.records, None
        if method == POWER_CUT:
            before, records, cut = self._ready_to_cut(number, rng, command)
        if command:
            controller = CommandController(self, serial, records, cut)
        else:
            order = replace(self.order, unit_serial=serial)
            controller = ForkedController(self.nursery, order, records, cut)
        try:
            trial.moment_s = rng.uniform(0.0, self.life_s[command])
            if method == LET_ALONE:
                trial.moment_s = WAIT_S
            controller.ended(max(controller.started_s + trial.moment_s - time.monotonic(), 0.0))
            if method != LET_ALONE and rng.random() < 0.5:
                self._wait_for_feed(controller, rng)
            self._strike(trial, controller, rng)
            trial.reported = controller.reported()
            # A library that is denied memory may fail in any way; it is told in a sentence.
            if method != OUT_OF_MEMORY and (trouble := controller.trouble()):
                trial.broken.append(trouble)
        finally:
            controller.close()
        self._check_world(trial)
        if method == POWER_CUT:
            self._check_cuts(trial, controller, serial, before, records, rng)
        else:
            self._check_records(trial, records, serial, trial.reported)
        return trial

    def _wait_for_feed(self, controller, rng):
        """Go on to a moment at which a feed is on, if one still comes."""
        while not controller.ended(0.01):
            on = self.observer.state()["on"]
            if any(on[what] for what in on if what.endswith(" live")):
                controller.ended(rng.uniform(0.0, 0.8))
                return

    def _strike(self, trial, controller, rng):
        method = trial.method
        if method == LET_ALONE:
            self._need_end(trial, controller)
            return
        if method == CONSOLE_KILLED:
            struck_s = controller.kill_console()
            self._need_end(trial, controller)
            self._see_off(trial, struck_s, struck_s)
            return
        if method in (BOTH_KILLED, POWER_CUT):
            struck_s = controller.kill_console()
            still_s = struck_s
            for process in controller.rest():
                struck_s = process.send(signal.SIGKILL)
                still_s = process.still_s()
            self._need_end(trial, controller)
            self._see_off(trial, struck_s, still_s)
            return
        bench = controller.wait_for_bench()
        if bench is None:  # it had ended before the moment came
            self._need_end(trial, controller)
        elif method == BENCH_KILLED:
            struck_s = bench.send(signal.SIGKILL)
            still_s = bench.still_s()
            self._need_end(trial, controller)
            self._see_off(trial, struck_s, still_s)
        elif method == OUT_OF_MEMORY:
            struck_s = time.monotonic()
            bench.starve(rng.choice(("limit", "some", "all")))
            self._need_end(trial, controller)
            self._see_off(trial, struck_s, None)
        else:
            self._stop(trial, controller, bench)

    def _stop(self, trial, controller, bench):
        struck_s = bench.send(signal.SIGSTOP)
        still_s = bench.still_s()
        # A stopped controller that had ended before needs no waiting for.
        bench.ended(STOPPED_S)
        self._see_off(trial, struck_s, still_s)
        if trial.method == STOPPED_KILLED:
            bench.send(signal.SIGKILL)
            self._need_end(trial, controller)
            return
        again_s = time.monotonic()
        bench.send(signal.SIGCONT)
        self._need_end(trial, controller)
        self._news += self.observer.news()
        fed_again = any(e.on for e in self._lives() if e.at_s > again_s)
        if trial.fed and fed_again:
            trial.broken.append("it went on feeding after it had been stopped while feeding")
        ended = controller.reported().ended
        if trial.fed and ended not in ("interrupted", ""):
            trial.broken.append(f"the run was {ended} although it was stopped while feeding")

    def _need_end(self, trial, controller):
        if not controller.ended(WAIT_S):
            trial.broken.append(f"it had not ended by itself after {WAIT_S:g} s")

    # --- the world ------------------------------------------------------------------------

    def _lives(self):
        return [entry for entry in self._news if entry.what.endswith(" live")]

    def _see_off(self, trial, struck_s, still_s):
        """Take down when the feeds went off in the world after ``struck_s``.

        They must within the dead-man's time from ``still_s``, when the controller surely did
        nothing any more (None: that is for the world to say, it may have gone on for a while).
        """
        self._let_pass((still_s or struck_s) + self.held_s)
        lives = self._lives()
        before = [entry.on for entry in lives if entry.at_s <= struck_s]
        # A relay that was on its way when the kill came is a feed that was on.
        soon = [entry.on for entry in lives if struck_s < entry.at_s < struck_s + 0.02]
        trial.fed = before[-1:] == [True] or any(soon)
        if still_s is None:
            gone = [e.at_s for e in self._news if e.what == "controller" and not e.on]
            struck_s = still_s = max([struck_s, *gone[-1:]])
            self._let_pass(still_s + self.held_s)
            lives = self._lives()
        if not trial.fed:
            return
        off_s = math.inf if lives[-1].on else lives[-1].at_s
        trial.off_after_s = max(off_s - struck_s, 0.0)
        if off_s - still_s > self.held_s:
            trial.broken.append(
                f"a feed was on for {off_s - still_s:.3f} s ({self.held_s:.3f} s are allowed)"
            )

    def _let_pass(self, until_s):
        """Hear of everything that happens in the world up to ``until_s``."""
        wait_until(lambda: self.observer.state()["now_s"] > until_s)
        self._news += self.observer.news()

    def _check_world(self, trial):
        state = wait_until(lambda: not (now := self.observer.state())["on"]["controller"] and now)
        wait_until(lambda: self.observer.state()["now_s"] > state["now_s"] + self.held_s)
        on = self.observer.state()["on"]
        if any(on[what] for what in on if what.endswith(" live") or what == "master"):
            trial.broken.append(f"afterwards the world still has {on}")

    # --- the records ----------------------------------------------------------------------

    def _check_records(self, trial, records, serial, reported, where=""):
        """Hold the records against what was ``reported``; return the run's steps."""
        broken = []
        kept = self._kept.setdefault(str(records), {})
        try:
            with _ONE_AT_A_TIME, Store.open(records) as store:
                store.mark_interrupted()
                runs = {run.unit_serial: run for run in store.runs(limit=None)}
                for other, steps in kept.items():
                    if other not in runs or len(store.run(runs[other].run_id).steps) < steps:
                        broken.append(f"the earlier run of {other} is not whole any more")
                summary = runs.get(serial)
                run = summary and store.run(summary.run_id, with_traces=True)
        except RecordsError as error:
            trial.broken.append(f"{where}the records: {error}")
            return
        if run is None:
            if reported.began:
                broken.append("the run is not in the records")
        else:
            broken += _faults_of(run, self.kinds, reported)
            if not where:
                kept[serial] = len(run.steps)
                if run.end is not None:
                    trial.state, trial.note = str(run.end.state), run.end.note
        trial.broken += [where + text for text in broken]

    def listed(self):
        """Return how many runs ``halfturn records list`` shows, and how many there should be."""
        done = subprocess.run(
            [
                *(sys.executable, "-m", "rig.cli", "records", "list", "--json"),
                *("--records", str(self.records), "--limit", "100000"),
            ],
            capture_output=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        shown = len(json.loads(done.stdout)) if done.returncode == 0 else done.returncode
        return shown, len(self._kept.get(str(self.records), {}))

    # --- power cuts -----------------------------------------------------------------------

    def _ready_to_cut(self, number, rng, command):
        """Return the folder as it is before, the records file, and what to tell the journal."""
        if rng.random() < 0.3:  # nothing there yet, and a folder to be made
            shutil.rmtree(self.disk)
            self.disk.mkdir()
            self._kept.pop(str(self._records_on(self.disk)), None)
        before = self.folder / f"before-{number}"
        power_cut.copy_of(self.disk, before)
        journal = self.folder / f"journal-{number}"
        journal.touch()
        cut = (str(self.disk), str(journal))
        return before, self._records_on(self.disk), cut

    @staticmethod
    def _records_on(disk):
        return disk / "logs" / "records.sqlite"

    def _check_cuts(self, trial, controller, serial, before, records, rng):
        """Make what the cut left, and what cuts at other moments of the same life would have."""
        own = self.folder / f"journal-{trial.number}"
        journal = max(
            [own, *self.folder.glob(f"{own.name}.*")], key=lambda path: path.stat().st_size
        )
        whole = journal.read_bytes()
        left, earlier = self.folder / "left", self._kept.get(str(records), {})
        for k in range(self.cuts):
            length = len(whole) if k == 0 else rng.randint(0, len(whole))
            if trial.command and k:
                break  # when its lines were printed is not known
            journal.write_bytes(whole[:length])
            shutil.rmtree(left, ignore_errors=True)
            power_cut.after_cut(before, journal, left, rng.random())
            reported = trial.reported if k == 0 else controller.reported(length)
            self._kept[str(self._records_on(left))] = dict(earlier)
            where = "" if k == 0 else f"cut at byte {length} of the journal: "
            self._check_records(trial, self._records_on(left), serial, reported, where)
            trial.cuts += 1
            if k == 0:  # the next controller finds what this cut left
                self._kept[str(records)] = self._kept[str(self._records_on(left))]
                shutil.rmtree(self.disk)
                shutil.copytree(left, self.disk)
        shutil.rmtree(before)
        for path in self.folder.glob(f"{own.name}*"):
            path.unlink()


def _faults_of(run, kinds, reported):
    """Return what is wrong with a run in the records, after what was reported of it."""
    broken = []
    steps = {step.number: step for step in run.steps}
    for number in sorted(reported.steps - set(steps)):
        broken.append(f"step {number} was reported and is not in the records")
    for number, step in steps.items():
        # Reading a trace checks its checksum.
        if step.kind != kinds[number - 1] or step.trace is None or not len(step.trace):
            broken.append(f"step {number} is not whole")
    state = str(run.end.state) if run.end is not None else "running"
    if reported.ended and state != reported.ended:
        broken.append(f"the run was reported {reported.ended} and is recorded {state}")
    if state not in ("interrupted", "finished"):
        broken.append(f"the run is recorded {state}")
    if state == RunState.FINISHED and set(steps) != set(range(1, len(kinds) + 1)):
        broken.append("the run is recorded as finished without all its steps")
    return broken


def on_lanes(lanes, jobs, seed, done=lambda trial: None):
    """Carry out ``jobs`` (number, method, by command) on lanes side by side; return the trials.

    ``done`` is called, in a lane's thread, with each trial that is over.
    """
    waiting, trials = deque(jobs), []

    def work(lane):
        while waiting:
            number, method, command = waiting.popleft()
            try:
                if method == LET_ALONE:
                    trial = lane.let_alone(number, command=command)
                else:
                    trial = lane.kill(number, method, seed, command=command)
            except Exception as error:
                trial = Trial(number, method, command)
                trial.broken.append(f"the trial could not be carried out: {error!r}")
            trials.append(trial)
            done(trial)

    threads = [threading.Thread(target=work, args=(lane,)) for lane in lanes]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return trials
