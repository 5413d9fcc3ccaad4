"""A night on the bench in virtual time: is memory flat, is time per half-turn flat, how big is it?

One endurance step of 50 000 cycles (100 000 half-turns) in this process, as `halfturn run` does it:
plan, session, control loop, guard, drivers on emulated pins and chips, analysis, records.  Sampled
at 200 Hz, the slowest that outcomes are promised for, so that it is done within the hour.

Taken at half-turns' ends: CPU time (other programs on the machine do not count) and resident
memory; a straight line is fitted to each by least squares after the first tenth of the run.  Rules:

* the slope of the time per half-turn and its uncertainty (k = 2), over the whole run, come to less
  than a tenth of the time per half-turn;
* the slope of the memory and its uncertainty stay below 100 bytes a half-turn: what one of them
  keeps shows (its measures would take some 700 bytes, its trace 20 kB);
* every half-turn is in the records, and the good unit passes.

Exit status 1 if one is broken.  Run by hand: ``nice python tests/bench/long_run.py``.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from long_runs import LongRun, long_run

GROWS_BYTES = 100.0
TIME_CHANGE = 0.1


def table(run: LongRun) -> str:
    """Return what was found as a table."""
    memory, spent, kept, seen = run.memory(), run.time(), run.kept, run.watched
    over = seen.done / spent.mean
    rows = [
        ("half-turns seen, in the records", f"{seen.done}, {kept.half_turns}"),
        ("verdict", "none" if run.ended.judgement is None else str(run.ended.judgement.verdict)),
        (
            f"virtual time at {run.sample_hz} Hz, control cycles",
            f"{kept.virtual_s / 3600:.1f} h, {kept.virtual_s * run.sample_hz / 1e6:.1f} million",
        ),
        ("CPU time, wall time", f"{run.cpu_s / 60:.1f} min, {run.wall_s / 60:.1f} min"),
        ("CPU time a half-turn", f"{spent.mean * 1e3:.2f} ms"),
        (
            "its change over the whole run",
            f"{spent.slope * over:+.1%} ± {spent.u * over:.1%}",
        ),
        (
            "memory at the first tenth, at the end, at most",
            f"{seen.rss[len(seen.rss) // 10] / 1e6:.0f} MB, {seen.rss[-1] / 1e6:.0f} MB, "
            f"{run.peak_bytes / 1e6:.0f} MB",
        ),
        ("memory a half-turn", f"{memory.slope:+.0f} ± {memory.u:.0f} bytes"),
        ("records a half-turn", f"{kept.file_bytes / kept.half_turns:.0f} bytes"),
        (
            "of it packed traces",
            f"{kept.trace_bytes / kept.half_turns:.0f} bytes "
            f"({kept.trace_bytes / kept.samples:.2f} a sample)",
        ),
        ("steps recorded", str(kept.steps)),
    ]
    return "\n".join(["| what | found |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)])


def broken(run: LongRun) -> list[str]:
    """Return which rules are broken."""
    memory, spent, kept, seen = run.memory(), run.time(), run.kept, run.watched
    judgement = run.ended.judgement
    rules = {
        "time per half-turn is not flat": (abs(spent.slope) + spent.u) * seen.done
        < TIME_CHANGE * spent.mean,
        "memory is not flat": memory.slope + memory.u < GROWS_BYTES,
        "half-turns are missing": kept.half_turns == seen.done == seen.to_come,
        "the good unit did not pass": judgement is not None and judgement.verdict == "pass",
    }
    return [text for text, holds in rules.items() if not holds]


def main() -> int:
    """Run it, print the table and the rules that are broken."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--half-turns", type=int, default=100_000)
    options.add_argument("--hz", type=int, default=200)
    options.add_argument("--record-every", type=int, default=25, help="keep every n-th trace")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        records = Path(folder) / "records.sqlite"
        run = long_run(chosen.half_turns, chosen.hz, chosen.record_every, records)
    print(table(run))
    for rule in broken(run):
        print(f"BROKEN: {rule}")
    return 1 if broken(run) else 0


if __name__ == "__main__":
    sys.exit(main())
