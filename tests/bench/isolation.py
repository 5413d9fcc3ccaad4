"""Guided isolation on simulated units that it did not learn from, with causes known.

Units are drawn as the shipped priors have them met, with the degrees of `rig.isolation.drawn`;
half of the rigs have a programmable supply, half a sensor in the ignition feed.  Looks answer as
often wrong as the catalogue of causes says.  A guided session goes on until one case has 95 % or no
test is worth its time; beside it goes one in a fixed order, with the same ranking and end.
Run by hand: ``python tests/bench/isolation.py --units 2000 --jobs 2``.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import Counter
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path
from statistics import fmean

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import isolation_sessions as sessions

from rig.isolation.knowledge import SHIPPED, read

FIRST_SEED = 50_000_000_000  # learning draws from seeds far below
WANTED = 0.95
BINS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0001)


_read = lru_cache(maxsize=1)(read)


def one(
    seed: int, knowledge_file: Path, fixed: bool, other: bool = False, cable: bool = True
) -> tuple[sessions.Session, ...]:
    """Return the guided session on the unit of a seed, and the one in fixed order if wanted."""
    make = sessions.other_type if other else sessions.Trial
    knowledge = _read(knowledge_file)
    case = sessions.drawn_case(seed, cable=cable)
    rig = {"supply": seed % 2 == 0, "coil": seed // 2 % 2 == 0, "make": make, "cable": cable}
    found = [sessions.session(knowledge, case, **rig)]
    if fixed:
        found.append(sessions.session(knowledge, case, **rig, after=sessions.by_order))
    return tuple(found)


def main() -> int:
    """Run the sessions and print the tables; 1 if too few single causes are found."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("--units", type=int, default=2000, help="how many units (2000)")
    ask.add_argument("--first", type=int, default=0, help="number of the first unit (0)")
    ask.add_argument("--jobs", type=int, default=1, help="processes (1)")
    ask.add_argument("--knowledge", type=Path, default=SHIPPED, help="knowledge file (shipped)")
    ask.add_argument("--no-fixed", action="store_true", help="leave the fixed order out")
    ask.add_argument(
        "--other",
        action="store_true",
        help="units of another type than was learnt from",
    )
    ask.add_argument("--no-cable", action="store_true", help="no cable on the jig, and known")
    ask.add_argument("--tell", action="store_true", help="tell of every miss")
    asked = ask.parse_args()
    begin = FIRST_SEED + asked.first
    work = partial(
        one,
        knowledge_file=asked.knowledge,
        fixed=not asked.no_fixed,
        other=asked.other,
        cable=not asked.no_cable,
    )
    began_s = time.monotonic()
    seeds = range(begin, begin + asked.units)
    if asked.jobs == 1:
        found = [work(seed) for seed in seeds]
    else:
        with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
            found = list(pool.imap(work, seeds, chunksize=8))
    print(f"{asked.units} units from {asked.first}, {time.monotonic() - began_s:.0f} s\n")
    own = [each[0] for each in found]
    share = rates(own)
    misses(own, asked.tell)
    reliability(own)
    effort("guided", own)
    if not asked.no_fixed:
        effort("fixed order", [each[1] for each in found])
    return 0 if share >= WANTED else 1


def rates(found: list[sessions.Session]) -> float:
    """Print how often the top case is right, by kind of case; return that of the wanted kind."""
    kinds = {
        "one cause, breaks a limit": lambda s: len(s.case.causes) == 1 and s.breaks_limit,
        "one cause, within limits": lambda s: len(s.case.causes) == 1 and not s.breaks_limit,
        "two causes": lambda s: len(s.case.causes) == 2,
        "sound": lambda s: not s.case.causes,
    }
    print("| case | units | cause right | what is named is there | repair right |")
    print("|---|---:|---:|---:|---:|")
    for kind, belongs in kinds.items():
        group = [s for s in found if belongs(s)]
        if group:
            right = fmean(s.right for s in group)
            repair = fmean(s.right_repair for s in group)
            there = fmean(s.found for s in group)
            print(f"| {kind} | {len(group)} | {right:.1%} | {there:.1%} | {repair:.1%} |")
    wanted = [s for s in found if kinds["one cause, breaks a limit"](s)]
    return fmean(s.right for s in wanted) if wanted else 0.0


def misses(found: list[sessions.Session], tell: bool) -> None:
    """Print which single causes were taken for what."""
    single = [s for s in found if len(s.case.causes) == 1 and s.breaks_limit]
    counts = Counter(s.case.name for s in single)
    wrong = Counter((s.case.name, s.ranking.top.name) for s in single if not s.right)
    print("\n| true cause | taken for | units | of |\n|---|---|---:|---:|")
    for (true, told), n in wrong.most_common():
        print(f"| {true} | {told} | {n} | {counts[true]} |")
    for s in found:
        if tell and not s.right:
            causes = ", ".join(f"{name}={degree:.3g}" for name, degree in s.case.causes)
            top = ", ".join(f"{c.name} {c.probability:.2f}" for c in s.ranking.causes[:3])
            print(f"{s.case.seed - FIRST_SEED}: {causes or 'sound'} -> {top}; {' '.join(s.done)}")


def reliability(found: list[sessions.Session]) -> None:
    """Print the confidence in the top case against how often all it names was there."""
    print("\n| said | units | mean said | so it was |\n|---|---:|---:|---:|")
    error = 0.0
    for low, high in pairwise(BINS):
        group = [s for s in found if low <= s.ranking.confidence < high]
        if group:
            said = fmean(s.ranking.confidence for s in group)
            right = fmean(s.found for s in group)
            error += len(group) / len(found) * abs(said - right)
            print(
                f"| {low:.3g} to {min(high, 1.0):.3g} | {len(group)} | {said:.3f} | {right:.3f} |"
            )
    print(f"\nexpected calibration error {error:.3f}")


def effort(name: str, found: list[sessions.Session]) -> None:
    """Print how much was done until the end, and how often that was right."""
    steps, minutes = fmean(len(s.done) for s in found), fmean(s.minutes for s in found)
    right = fmean(s.right for s in found)
    print(f"{name}: {steps:.2f} steps, {minutes:.2f} minutes a unit, cause right {right:.1%}")


if __name__ == "__main__":
    sys.exit(main())
