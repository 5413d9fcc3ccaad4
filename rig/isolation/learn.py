"""Learn the isolation's knowledge from simulated units: ``python -m rig.isolation.learn``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from rig.isolation.examples import Examples, joined, simulate
from rig.isolation.knowledge import save
from rig.isolation.train import train


def main() -> int:
    """Simulate, train and write the knowledge file as the command line says."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("--particles", type=int, default=100, help="units of each cause a round (100)")
    ask.add_argument("--rounds", type=int, default=1, help="rounds of units, a seed each (1)")
    ask.add_argument("--steps", type=int, default=5000, help="steps of training (5000)")
    ask.add_argument("--jobs", type=int, default=1, help="processes (1)")
    ask.add_argument(
        "--seed", type=int, default=1, help="seed of the first round and of training (1)"
    )
    ask.add_argument("--out", type=Path, required=True, help="where the knowledge goes")
    ask.add_argument(
        "--examples", type=Path, help="folder to keep the simulated units in, or to take them from"
    )
    asked = ask.parse_args()
    rounds = range(asked.seed, asked.seed + asked.rounds)
    examples = joined([_examples(asked, seed) for seed in rounds])
    found = train(examples, asked.steps, asked.seed, _told_step)
    save(found, asked.out)
    size = asked.out.stat().st_size
    print(f"sharpness {found.sharpness:.2f}; {size / 1e6:.2f} MB in {asked.out}")
    return 0


def _examples(asked: argparse.Namespace, seed: int) -> Examples:
    folder: Path | None = asked.examples
    kept = None if folder is None else folder / f"examples-{asked.particles}-{seed}.npz"
    if kept is not None and kept.exists():
        with np.load(kept) as held:
            return Examples(tuple(held["names"].tolist()), held["values"], held["case"])
    examples = simulate(asked.particles, seed, asked.jobs, _told_unit)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(
            kept, names=np.array(examples.names), values=examples.values, case=examples.case
        )
    return examples


def _told_unit(done: int, wanted: int) -> None:
    if done % 200 == 0 or done == wanted:
        print(f"{done} of {wanted} units", file=sys.stderr, flush=True)


def _told_step(step: int, loss: float) -> None:
    if step % 500 == 0:
        print(f"step {step}: log score {loss:.3f}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
