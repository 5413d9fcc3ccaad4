"""What simulated units with random faults truly do, against the verdict that they get.

Every unit is drawn from its own seed: faults of any degree, supply, noise, sample rate, errors of
the rig within what its file states, and often a limit laid next to what the unit truly does.  The
truth is the world's own: contacts, cam, and the current and voltage of the feed without a sensor.

Rules, exit status 1 if one is broken: no unit passes that truly breaks a limit by more than the
stated uncertainty; at most 1 % of those that meet every limit fail; a rig fault alone fails none.
Run by hand: ``python tests/bench/campaign_verdicts.py --units 10000 --jobs 2``.
"""

from __future__ import annotations

import argparse
import multiprocessing
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import verdict_trials as vt
from drawn_units import draw

VERDICTS = ("pass", "fail", "retest", "none")
RECORDS_OF = 20  # runs that share a records file
SOUND_FAIL_MOST = 0.01
BAR = 40


def trials(first: int, units: int, jobs: int) -> Iterator[vt.Trial]:
    """Yield the trials of ``units`` seeds from ``first`` on, in any order."""
    last = first + units
    spans = [(k, min(k + RECORDS_OF, last)) for k in range(first, last, RECORDS_OF)]
    if jobs == 1:
        for span in spans:
            yield from _one_by_one(span)
        return
    pool = multiprocessing.get_context("spawn").Pool(jobs)
    try:
        for found in pool.imap_unordered(_together, spans):
            yield from found
    finally:
        # A run takes a signal for a wish to end it, and would go on to the next unit.
        for child in multiprocessing.active_children():
            child.kill()
        pool.terminate()


def _one_by_one(span: tuple[int, int]) -> Iterator[vt.Trial]:
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(*span):
            yield vt.try_unit(draw(seed), Path(folder) / "records.sqlite")


def _together(span: tuple[int, int]) -> list[vt.Trial]:
    return list(_one_by_one(span))


def table(found: list[vt.Trial]) -> str:
    """Return true condition against verdict as a markdown table."""
    counts = Counter((trial.row, trial.verdict) for trial in found)
    lines = [
        "| true condition | units | pass | fail | retest | no verdict |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for row in vt.ORDER:
        each = [counts[row, verdict] for verdict in VERDICTS]
        if sum(each):
            lines.append(f"| {row} | {sum(each)} | {' | '.join(str(n) for n in each)} |")
    each = [sum(counts[row, verdict] for row in vt.ORDER) for verdict in VERDICTS]
    lines.append(f"| all | {len(found)} | {' | '.join(str(n) for n in each)} |")
    return "\n".join(lines)


def report(trial: vt.Trial) -> str:
    """Return everything about a unit that got what it should not have, and how to see it again."""
    what = "FALSE PASS" if trial.false_pass else "FALSE FAIL"
    lines = [
        f"{what}: seed {trial.drawn.seed}, truly {trial.row}: {trial.drawn}",
        f"    python tests/bench/campaign_verdicts.py --first {trial.drawn.seed} --units 1 --tell",
        *(f"    truly: {stand}" for stand in trial.stands if stand.broken),
        *(f"    told: {text}" for text in trial.reasons),
    ]
    return "\n".join(lines)


def main() -> int:
    """Run the campaign as the command line says; 1 if a rule is broken."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("--units", type=int, default=10_000, help="how many units (10000)")
    ask.add_argument("--first", type=int, default=0, help="seed of the first unit (0)")
    ask.add_argument("--jobs", type=int, default=1, help="processes (1)")
    ask.add_argument("--tell", action="store_true", help="tell everything about every unit")
    asked = ask.parse_args()
    began_s = time.monotonic()
    found: list[vt.Trial] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    with suppress(KeyboardInterrupt):  # what is done by then counts
        for trial in trials(asked.first, asked.units, asked.jobs):
            found.append(trial)
            if trial.false_pass or trial.false_fail or asked.tell:
                _clear()
                print(_told(trial) if asked.tell else report(trial), flush=True)
            _bar(len(found), asked.units, time.monotonic() - began_s)
    _clear()
    took_s = time.monotonic() - began_s
    print(f"\n{len(found)} units from seed {asked.first}, {took_s:.0f} s, {asked.jobs} at a time\n")
    print(table(found))
    return rules(found)


def rules(found: list[vt.Trial]) -> int:
    """Say how the rules stand; 1 if one is broken."""
    passes = [t for t in found if t.false_pass]
    by_rig = [t for t in found if t.false_fail and t.drawn.rig_fault]
    sound = [t for t in found if t.sound]
    failed = [t for t in sound if t.false_fail]
    clear = [t for t in sound if t.row == vt.SOUND]
    share = len(failed) / max(len(sound), 1)
    passed = sum(t.verdict == "pass" for t in sound) / max(len(sound), 1)
    clear_passed = sum(t.verdict == "pass" for t in clear) / max(len(clear), 1)
    print(f"\nfalse passes: {len(passes)} {seeds(passes)}")
    print(f"sound units that fail: {len(failed)} of {len(sound)} ({share:.2%}, at most 1 %)")
    print(f"rig faults that alone fail a unit: {len(by_rig)} {seeds(by_rig)}")
    print(f"sound units that pass: {passed:.1%}; with every margin above U: {clear_passed:.1%}")
    print("\n| measure | values | error within U | worst error / U |\n|---|---:|---:|---:|")
    for measure, parts in sorted(vt.coverage(found).items()):
        inside = sum(abs(part) <= 1.0 for part in parts) / len(parts)
        worst = max(parts, key=abs)
        print(f"| {measure} | {len(parts)} | {inside:.1%} | {worst:+.2f} |")
    return 1 if passes or by_rig or share > SOUND_FAIL_MOST else 0


def seeds(trials: list[vt.Trial]) -> list[int]:
    """Return the seeds of trials, in order."""
    return sorted(t.drawn.seed for t in trials)


def _told(trial: vt.Trial) -> str:
    stands = "\n".join(f"    truly: {stand}" for stand in trial.stands)
    reasons = "\n".join(f"    told: {text}" for text in trial.reasons)
    return (
        f"seed {trial.drawn.seed}: {trial.drawn}\n  limits {trial.limits}\n"
        f"  truly {trial.row}, verdict {trial.verdict} ({trial.state})\n{stands}\n{reasons}"
    )


def _bar(done: int, units: int, took_s: float) -> None:
    if not sys.stderr.isatty():
        return
    filled = BAR * done // units
    left_s = took_s / done * (units - done)
    print(
        f"\r[{'#' * filled}{'.' * (BAR - filled)}] {done}/{units}, {left_s / 60:.0f} min left ",
        end="",
        file=sys.stderr,
        flush=True,
    )


def _clear() -> None:
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
