"""Do the intervals hold the truth?  Rigs with drawn sensor, shunt and relay errors on ngspice's
circuits: how often each quantity's true value lies within plus or minus U.

Run by hand: ``python tests/bench/campaign_uncertainty.py [RIGS]``.  Ends with 1 if one quantity's U
holds the truth less often than for 95 % of the rigs, or is more than a tenth too wide.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import drawn_rigs

from rig.plans import find_plan, load_plan
from rig.quality.uncertainty import accuracy_of
from rig.settings import starter_settings

RIGS = 3000
LEAST, SPREAD_LEAST = 0.95, 0.9


def main() -> int:
    """Print coverage and spread by quantity; 1 if a rule is broken."""
    rigs = int(sys.argv[1]) if len(sys.argv) > 1 else RIGS
    plan = load_plan(find_plan("qualify", ()))
    accuracy = accuracy_of(starter_settings().station(), plan)
    parts: dict[str, list[float]] = defaultdict(list)
    for count, rig in enumerate(drawn_rigs.draw(rigs, seed=1)):
        # A rig's half-turns share its errors: one of each quantity counts, circuit by circuit.
        one: dict[str, float] = {}
        circuit = drawn_rigs.CIRCUITS[count % len(drawn_rigs.CIRCUITS)]
        for name, part in drawn_rigs.errors_of(rig, circuit, accuracy):
            one.setdefault(name, part)
        for name, part in one.items():
            parts[name].append(part)
    good = True
    print("quantity        rigs   within U   error's spread over u   largest, of U")
    for name, listed in parts.items():
        of_u = np.array(listed)
        within, spread = np.mean(of_u <= 1.0), 2.0 * np.sqrt(np.mean(of_u**2))
        good = good and within >= LEAST and spread >= SPREAD_LEAST
        print(f"{name:<14} {len(of_u):5d} {within:9.1%} {spread:18.2f} {of_u.max():20.2f}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
