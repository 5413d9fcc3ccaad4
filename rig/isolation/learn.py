"""Learn the isolation's knowledge from simulated units: ``python -m rig.isolation.learn``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from rig.isolation.examples import Examples, simulate
from rig.isolation.knowledge import save
from rig.isolation.train import train


def main() -> int:
    """Simulate, train and write the knowledge file as the command line says."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("--particles", type=int, default=240, help="units of each cause (240)")
    ask.add_argument("--steps", type=int, default=8000, help="steps of training (8000)")
    ask.add_argument("--jobs", type=int, default=1, help="processes (1)")
    ask.add_argument("--seed", type=int, default=1, help="seed of units and training (1)")
    ask.add_argument("--out", type=Path, required=True, help="where the knowledge goes")
    ask.add_argument("--examples", type=Path, help="keep the simulated examples here, or use them")
    asked = ask.parse_args()
    examples = _examples(asked)
    found = train(examples, asked.steps, asked.seed, _told_step)
    save(found, asked.out)
    size = asked.out.stat().st_size
    print(f"sharpness {found.sharpness:.2f}; {size / 1e6:.2f} MB in {asked.out}")
    return 0


def _examples(asked: argparse.Namespace) -> Examples:
    kept: Path | None = asked.examples
    if kept is not None and kept.exists():
        with np.load(kept) as held:
            return Examples(tuple(held["names"].tolist()), held["values"], held["case"])
    examples = simulate(asked.particles, asked.seed, asked.jobs, _told_unit)
    if kept is not None:
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
