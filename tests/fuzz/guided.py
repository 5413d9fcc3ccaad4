"""Shows what coverage-guided fuzzing finds in the targets: executions, coverage and findings.

By hand, with the engine installed (`pip install -e '.[fuzz]'`; it builds nothing on Linux x86-64
with Python 3.11, elsewhere it wants a C++ compiler):

    nice -n 19 python tests/fuzz/guided.py --target trace --seconds 600
    nice -n 19 python tests/fuzz/guided.py --seconds 600          # all, one after another

Each finding is printed as an example for the Hypothesis tests of this folder.  The corpus
is in a temporary folder unless --corpus names one.  Exit status 1 if a rule was broken.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

TARGETS = ("label", "plan", "rig", "scpi", "search", "trace")
LONGEST = {"plan": 12_000, "rig": 12_000, "trace": 16_000}
SLOW_S = 20  # an input that takes longer is a finding of the engine's own


@dataclass
class Found:
    """What one target's fuzzing came to."""

    target: str
    executions: int
    coverage: int
    findings: list[tuple[str, bytes]]
    ended: str


def main() -> int:
    """Fuzz the targets, one process after another, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--target", choices=TARGETS, action="append")
    parser.add_argument("--seconds", type=int, default=60, help="for each target (60)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--corpus", type=Path, help="keep the corpus here")
    parser.add_argument("--inside", nargs=2, metavar=("TARGET", "FOLDER"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        _inside(*options.inside, options.seconds, options.seed)
        return 0
    results = []
    for target in options.target or TARGETS:
        _progress(f"{target}: {options.seconds} s ...")
        results.append(_fuzz(target, options))
    print("| target | seconds | executions | edges covered | findings |")
    print("|---|---|---|---|---|")
    for found in results:
        print(
            f"| {found.target} | {options.seconds} | {found.executions} | {found.coverage} "
            f"| {len(found.findings)} |"
        )
    for found in results:
        for why, data in found.findings:
            print(f"\n{found.target}: {why}\n    @example({data!r})")
        if found.ended:
            print(f"\n{found.target}: the engine stopped: {found.ended}")
    return 1 if any(found.findings or found.ended for found in results) else 0


def _progress(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr, flush=True)


def _fuzz(target: str, options: argparse.Namespace) -> Found:
    # Not for the process that fuzzes: what is imported before is not watched for coverage.
    from fuzz_seeds import SEEDS, WORDS

    with tempfile.TemporaryDirectory(prefix="halfturn-guided-") as temporary:
        folder = Path(options.corpus or temporary) / target
        (folder / "corpus").mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(SEEDS[target]):
            (folder / "corpus" / f"seed-{number}").write_bytes(seed)
        words = ['"' + "".join(f"\\x{byte:02x}" for byte in word) + '"' for word in WORDS[target]]
        (folder / "words").write_text("\n".join(words) + "\n")
        with (folder / "log").open("w") as log:
            command = [sys.executable, __file__, "--seconds", str(options.seconds)]
            command += ["--seed", str(options.seed), "--inside", target, str(folder)]
            status = subprocess.run(command, stdout=log, stderr=log, check=False).returncode
        text = (folder / "log").read_text(errors="replace")
        findings = []
        for path in sorted(folder.glob("finding-*")):
            why, data = json.loads(path.read_text())
            findings.append((why, bytes.fromhex(data)))
        executed = re.findall(r"number_of_executed_units: (\d+)", text)
        covered = re.findall(r"cov: (\d+)", text)
        return Found(
            target,
            int(executed[-1]) if executed else 0,
            int(covered[-1]) if covered else 0,
            findings,
            "" if status == 0 else text[-2000:],
        )


def _inside(target: str, folder: str, seconds: int, seed: int) -> None:
    """Fuzz in this process; the engine ends it."""
    import atheris

    with atheris.instrument_imports(include=["rig", "drivers", "tomllib"]):
        import fuzz_targets
    test = fuzz_targets.TARGETS[target]
    seen: set[str] = set()

    def one(data: bytes) -> None:
        try:
            test(data)
        except Exception as error:
            # Where it came from tells findings apart; one of each is enough.
            frames = traceback.extract_tb(error.__traceback__)
            ours = [f"{Path(f.filename).name}:{f.lineno}" for f in frames[-3:]]
            key = f"{type(error).__name__} at {' > '.join(ours)}"
            if key not in seen:
                seen.add(key)
                why = f"{key}: {str(error)[:300]}"
                Path(folder, f"finding-{len(seen)}").write_text(json.dumps([why, data.hex()]))

    arguments = [sys.argv[0], f"{folder}/corpus", f"-max_total_time={seconds}", f"-seed={seed}"]
    arguments += [f"-max_len={LONGEST.get(target, 4096)}", f"-dict={folder}/words"]
    arguments += [f"-timeout={SLOW_S}", "-print_final_stats=1", f"-artifact_prefix={folder}/slow-"]
    atheris.Setup(arguments, one)
    atheris.Fuzz()


if __name__ == "__main__":
    sys.exit(main())
