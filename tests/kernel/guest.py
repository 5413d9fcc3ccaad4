"""What runs in the virtual machine: the machine made a Raspberry Pi's, then every scenario.

Started by the initial file system as the only program; writes /run/out/found.json.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import traceback
from pathlib import Path

import gpio_sim
from scenarios import SCENARIOS, Bench

OUT = Path("/run/out")
_REVISION = "c03114"  # a Raspberry Pi 4 B


def main() -> None:
    """Run what the order asks for and write what was found, after each scenario."""
    order = json.loads((OUT / "order.json").read_text(encoding="utf-8"))
    found: dict[str, object] = {"checks": [], "notes": [], "complete": False}
    try:
        _be_a_pi()
        gpio_sim.make_chip()
        bench = Bench(Path("/run/rig"), order["sample_hz"])
        for name, scenario in SCENARIOS.items():
            if order["only"] and name not in order["only"]:
                continue
            (OUT / "stage").write_text(name, encoding="utf-8")
            print(f"{time.monotonic():.1f} {name}", flush=True)
            bench.begin(name)
            try:
                scenario(bench)
            finally:
                bench.end()
            found["checks"], found["notes"] = bench.checks, bench.notes
            _write(found)
        found["kernel"] = Path("/proc/version").read_text(encoding="ascii").split()[2]
        found["sample_hz"] = order["sample_hz"]
        found["complete"] = True
    except Exception:
        traceback.print_exc()
        found["failure"] = traceback.format_exc()
    _write(found)


def _be_a_pi() -> None:
    """gpiozero wants to know which Raspberry Pi it is on, from a line of /proc/cpuinfo."""
    text = Path("/proc/cpuinfo").read_text(encoding="ascii")
    ours = Path("/run/cpuinfo")
    ours.write_text(f"{text}\nRevision\t: {_REVISION}\n", encoding="ascii")
    subprocess.run(["mount", "--bind", str(ours), "/proc/cpuinfo"], check=True)


def _write(found: dict[str, object]) -> None:
    (OUT / "found.json").write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    print("guest:", sys.version, flush=True)
    main()
