"""Shows what rig faults at random moments of random runs do: feeds, message, verdict.

Each fault is injected again and again into the shipped plans (the endurance plan shortened), in
virtual time through the whole driver stack, at a random moment of a random step, for a random time,
on a random unit that passes without it.  The rules, and where each is told from, are in
``tests/support/rig_faults.py``.  By hand: ``python tests/bench/campaign_faults.py``.  Exit status 1
if a rule was broken; each case that broke one is printed with the command that repeats it.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from outside_faults import OUTSIDE, make_outside_case  # noqa: E402
from rig_faults import FAULTS, Case, make_case  # noqa: E402

NAMES = (*FAULTS, *OUTSIDE)


class Row:
    """One fault's line of the table."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.cases = 0
        self.verdicts: Counter[str] = Counter()
        self.off_s: float | None = None
        self.allowed_s = 0.0
        self.share = 0.0
        self.broken: Counter[str] = Counter()

    def take(self, case: Case, broken: list[str]) -> None:
        """Count a case."""
        self.cases += 1
        self.verdicts[case.run.verdict] += 1
        off_s = case.off_after_s
        if off_s is not None and off_s / case.allowed_s >= self.share:
            self.off_s, self.allowed_s = off_s, case.allowed_s
            self.share = off_s / case.allowed_s
        for words in broken:
            self.broken[words.split("\n")[0]] += 1

    def line(self) -> str:
        """Return the line in markdown."""
        off = "-" if self.off_s is None else f"{self.off_s * 1e3:.1f} of {self.allowed_s * 1e3:.1f}"
        counts = " | ".join(str(self.verdicts[v]) for v in ("retest", "pass", "fail", "none"))
        return f"| {self.name} | {self.cases} | {off} | {counts} | {sum(self.broken.values())} |"


def main() -> int:
    """Run the campaign; return the exit status."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--cases", type=int, default=20, help="of each fault (20)")
    options.add_argument("--seed", type=int, default=1, help="which cases (1)")
    options.add_argument("--only", nargs="+", choices=sorted(NAMES), help="these faults only")
    options.add_argument("--case", type=int, help="this case only, and all that was said in it")
    options.add_argument("--short", action="store_true", help="the tests' plan of 13 s only")
    chosen = options.parse_args()
    again = f"--seed {chosen.seed}" + (" --short" if chosen.short else "")
    names = chosen.only or NAMES
    numbers = range(chosen.cases) if chosen.case is None else [chosen.case]
    print(
        "| fault | runs | feeds off, ms of those allowed | retest | pass | fail | none | broken |"
    )
    print("|---|---|---|---|---|---|---|---|", flush=True)
    offenders = []
    began = time.monotonic()
    for name in names:
        row = Row(name)
        make = make_case if name in FAULTS else make_outside_case
        for number in numbers:
            case = make(name, number, chosen.seed, short=chosen.short)
            broken = case.broken()
            row.take(case, broken)
            offenders += [_offender(case, words, number, again) for words in broken]
            if chosen.case is not None:
                _print_case(case)
            _progress(f"{name} {number + 1}", began)
        print(row.line(), flush=True)
    _progress("", began)
    print("\n".join(offenders))
    return 1 if offenders else 0


def _offender(case: Case, words: str, number: int, again: str) -> str:
    name = case.fault.name
    return (
        f"BROKEN {name} case {number}: {words}\n"
        f"  {case.run.setting}, {case.text}, verdict {case.run.verdict}\n"
        f"  python tests/bench/campaign_faults.py --only {name} --case {number} {again}"
    )


def _print_case(case: Case) -> None:
    print(f"{case.run.setting} with {case.text}: {case.run.verdict}")
    for kind, begin_s, end_s in case.run.steps:
        print(f"  {begin_s:8.3f} to {end_s:8.3f} s  {kind}")
    print(case.run.said)


def _progress(text: str, began: float) -> None:
    if sys.stderr.isatty():
        end = "\r" if text else "\n"
        print(f"\r{time.monotonic() - began:6.0f} s  {text:40}", end=end, file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
