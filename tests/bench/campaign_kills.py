"""Shows that a controller may die at any moment: nothing stays fed, and nothing reported is lost.

Run by hand: ``python tests/bench/campaign_kills.py --kills 300``.  A simulated world in a process
of its own goes on while its controller is killed (the bench process, its console, both), stopped,
denied memory, or loses power with whatever it had not synced.  Afterwards:

* no feed is on in the world from the dead-man's longest time and a relay's release after the kill;
* the records open, and all earlier runs are whole;
* every step that had been reported is there, with its trace and the right checksum;
* the run is recorded as interrupted, or as it was reported to have ended.

Half of the kills come at any moment of a controller's life, the others while a feed is on.  Each
power cut is also made at other moments of the same life, at random bytes of the journal of what was
written (``tests/support/power_cut``).  One in six controllers is `halfturn run` itself, the others
are the bench process alone.  Exit status 1 if a rule was broken.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import kills
import preloads
from controllers import Nursery

ROWS = (*kills.METHODS, kills.LET_ALONE)


def plan(count, seed):
    """Return number, method and whether it is `halfturn run`, for each trial."""
    rng = random.Random(seed)
    methods = [kills.METHODS[number % len(kills.METHODS)] for number in range(count)]
    rng.shuffle(methods)
    jobs = [(number, method, rng.random() < 1 / 6) for number, method in enumerate(methods, 1)]
    # What comes after kills must work as ever: now and then a run is let alone.
    for after in range(len(jobs), 0, -25):
        jobs.insert(after, (1000 + after, kills.LET_ALONE, False))
    return jobs


def table(trials):
    """Return what happened as markdown, a row for each method."""
    lines = [
        "| method | trials | fed at that moment | feeds off after, s (median, longest) "
        "| steps reported | steps lost | rules broken |",
        "|---|---|---|---|---|---|---|",
    ]
    for method in ROWS:
        of = [trial for trial in trials if trial.method == method]
        offs = sorted(t.off_after_s for t in of if t.off_after_s is not None)
        median = f"{offs[len(offs) // 2]:.3f}, {offs[-1]:.3f}" if offs else "-"
        name = method
        if cuts := sum(trial.cuts for trial in of):
            name += f" ({cuts} cuts)"
        reported = sum(len(trial.reported.steps) for trial in of)
        if method == kills.LET_ALONE:
            finished = sum(trial.state == "finished" for trial in of)
            name += f" ({finished} finished, {len(of) - finished} too late for real time)"
        lost = sum("is not in the records" in text for t in of for text in t.broken)
        lines.append(
            f"| {name} | {len(of)} | {sum(t.fed for t in of)} | {median} "
            f"| {reported} | {lost} | {sum(len(t.broken) for t in of)} |"
        )
    return "\n".join(lines)


class Bar:
    """Progress on standard error, if that is a terminal."""

    def __init__(self, total):
        self._total, self._done, self._began_s = total, 0, time.monotonic()

    def step(self, trial):
        """Count one more; tell at once what was broken."""
        self._done += 1
        for text in trial.broken:
            print(f"\r\033[Ktrial {trial.number} ({trial.method}): {text}", file=sys.stderr)
        if sys.stderr.isatty():
            filled = round(30 * self._done / self._total)
            left_s = (time.monotonic() - self._began_s) / self._done * (self._total - self._done)
            print(
                f"\r\033[K[{'#' * filled}{'.' * (30 - filled)}] {self._done} of {self._total}, "
                f"about {math.ceil(left_s / 60)} min left",
                end="" if self._done < self._total else "\n",
                file=sys.stderr,
                flush=True,
            )


def main():
    """Run the campaign; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=300, help="how many (300)")
    parser.add_argument("--seed", type=int, default=1, help="which methods and moments (1)")
    parser.add_argument("--jobs", type=int, default=2, help="how many worlds side by side (2)")
    parser.add_argument("--only", type=int, action="append", help="only this trial, again for more")
    options = parser.parse_args()
    jobs = plan(options.kills, options.seed)
    if options.only:
        jobs = [job for job in jobs if job[0] in options.only]
    bar = Bar(len(jobs))
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        preload = preloads.build(folder)
        nursery = stack.enter_context(Nursery(preload))
        lanes = []
        for _ in range(min(options.jobs, len(jobs))):
            lanes.append(kills.Lane(nursery, preload, supply=True, sample_hz=500, life_s=9.0))
            stack.callback(lanes[-1].close)
        trials = kills.on_lanes(lanes, jobs, options.seed, bar.step)
        listed = [lane.listed() for lane in lanes]
    print(table(trials))
    for shown, kept in listed:
        print(f"\n`halfturn records list` shows {shown} runs of {kept}.")
    broken = sorted(trial.number for trial in trials if trial.broken)
    killed = sum(trial.method != kills.LET_ALONE for trial in trials)
    if broken:
        again = " ".join(f"--only {number}" for number in broken)
        print(f"\n{len(broken)} of {killed} broke a rule: --seed {options.seed} {again}")
        return 1
    if any(shown != kept for shown, kept in listed):
        return 1
    print(f"\n{killed} kills, seed {options.seed}: no rule broken.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
