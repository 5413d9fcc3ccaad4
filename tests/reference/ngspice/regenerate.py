"""Run every netlist in ngspice again and write traces, waveforms and truth, or check them.

    python tests/reference/ngspice/regenerate.py            write everything
    python tests/reference/ngspice/regenerate.py --check    compare with what is committed

``--check`` exits with 1 if a fresh run disagrees with a committed file beyond the tolerance
below; ``--only NAME`` takes one circuit.  Needs ngspice (Debian package) and numpy.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import os
import shutil
import sys
import tomllib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sensor import Sensing, sample
from simulate import FloatArray, Nodes, SimulationError, ngspice_version, run
from truth import feed_changes, half_turns

HERE = Path(__file__).resolve().parent
TRUTH = HERE / "truth.json"

TRACE_FORMATS = ("%.6f", "%.3f", "%.3f", "%d", "%d")
FINE_STEP_S = 0.0005
FINE_NODES = {
    "current_a": "ifeed",
    "voltage_v": "ub",
    "motor_a": "ia",
    "speed_rad_s": "w",
    "lever_deg": "deg",
    "battery_feed": "cb",
    "ignition_feed": "ci",
}
FINE_FORMATS = ("%.4f", "%.4f", "%.4f", "%.4f", "%.2f", "%.3f", "%d", "%d")

# Another build of ngspice takes other steps: what it may move, as fractions of a millisecond
# and of a trace's largest value.
TIME_TOLERANCE_S = 0.0003
VALUE_TOLERANCE = 0.005
ANGLE_TOLERANCE_DEG = 0.5


@dataclass(frozen=True)
class Made:
    """What one circuit gave."""

    name: str
    trace: dict[str, FloatArray]
    fine: dict[str, FloatArray] | None
    feeds: list[list[Any]]
    half_turns: list[dict[str, Any]]


def make(name: str, entry: Mapping[str, Any]) -> Made:
    """Run circuit ``name``; ValueError if its nodes do not say what its author meant."""
    nodes = run(HERE / "netlists" / f"{name}.cir")
    found = half_turns(nodes)
    outcomes = [half_turn["outcome"] for half_turn in found]
    if outcomes != entry["intent"]:
        raise ValueError(f"{name}: meant {entry['intent']}, its nodes say {outcomes}")
    fine = _fine(nodes) if entry.get("fine") else None
    trace = sample(nodes, Sensing(**entry["sensing"]))
    return Made(name, trace, fine, feed_changes(nodes), found)


def _fine(nodes: Nodes) -> dict[str, FloatArray]:
    time_s = np.arange(0.0, nodes["time"][-1], FINE_STEP_S)
    columns = {"time_s": time_s}
    for column, node in FINE_NODES.items():
        columns[column] = np.interp(time_s, nodes["time"], nodes[node])
    for feed in ("battery_feed", "ignition_feed"):
        columns[feed] = np.round(columns[feed])
    return columns


def main() -> int:
    """Do what the command line asks; 0 = done and in agreement."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare, write nothing")
    parser.add_argument("--only", metavar="NAME", help="one circuit")
    asked = parser.parse_args()
    if shutil.which("ngspice") is None:
        parser.error("ngspice is not installed: apt-get install ngspice")
    circuits = tomllib.loads((HERE / "circuits.toml").read_text(encoding="utf-8"))["circuits"]
    if asked.only:
        if asked.only not in circuits:
            parser.error(f"no circuit {asked.only}; there are {', '.join(circuits)}")
        circuits = {asked.only: circuits[asked.only]}
    try:
        made = _make_all(circuits)
    except (SimulationError, ValueError) as trouble:
        print(trouble, file=sys.stderr)
        return 1
    if not asked.check:
        _write(made)
        return 0
    complaints = [line for one in made for line in _differences(one)]
    print("\n".join(complaints) or f"{len(made)} circuits agree with what is committed")
    return 1 if complaints else 0


def _make_all(circuits: Mapping[str, Mapping[str, Any]]) -> list[Made]:
    # Threads are enough: the work is done by one ngspice process each.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(make, circuits.keys(), circuits.values()))


# --- writing ----------------------------------------------------------------------------------


def _write(made: list[Made]) -> None:
    truth = json.loads(TRUTH.read_text(encoding="utf-8")) if TRUTH.exists() else {"circuits": {}}
    truth["source"] = f"{ngspice_version()}, Debian package"
    for one in made:
        _write_csv(_trace_path(one.name), one.trace, TRACE_FORMATS)
        if one.fine:
            _write_csv(_fine_path(one.name), one.fine, FINE_FORMATS)
        truth["circuits"][one.name] = {
            "feeds": [[round(at_s, 6), *made] for at_s, *made in one.feeds],
            "half_turns": [_rounded(half_turn) for half_turn in one.half_turns],
        }
    truth["circuits"] = dict(sorted(truth["circuits"].items()))
    TRUTH.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _rounded(half_turn: Mapping[str, Any]) -> dict[str, Any]:
    return {k: round(v, 6) if isinstance(v, float) else v for k, v in half_turn.items()}


def _write_csv(path: Path, columns: Mapping[str, FloatArray], formats: tuple[str, ...]) -> None:
    text = io.StringIO()
    np.savetxt(
        text,
        np.column_stack(list(columns.values())),
        fmt=list(formats),
        delimiter=",",
        header=",".join(columns),
        comments="",
    )
    path.parent.mkdir(exist_ok=True)
    # No time stamp in the file, so that an unchanged circuit leaves an unchanged file.
    path.write_bytes(gzip.compress(text.getvalue().encode(), 9, mtime=0))


def _trace_path(name: str) -> Path:
    return HERE / "traces" / f"{name}.csv.gz"


def _fine_path(name: str) -> Path:
    return HERE / "waveforms" / f"{name}.csv.gz"


# --- checking ---------------------------------------------------------------------------------


def _differences(one: Made) -> list[str]:
    committed = json.loads(TRUTH.read_text(encoding="utf-8"))["circuits"].get(one.name)
    if committed is None:
        return [f"{one.name}: no committed truth"]
    lines = _feed_differences(one, committed["feeds"])
    lines += _truth_differences(one, committed["half_turns"])
    lines += _table_differences(one.name, "trace", one.trace, _trace_path(one.name))
    if one.fine:
        lines += _table_differences(one.name, "waveform", one.fine, _fine_path(one.name))
    return lines


def _feed_differences(one: Made, committed: list[list[Any]]) -> list[str]:
    same = len(committed) == len(one.feeds) and all(
        fresh[1:] == old[1:] and abs(fresh[0] - old[0]) <= TIME_TOLERANCE_S
        for fresh, old in zip(one.feeds, committed, strict=True)
    )
    return [] if same else [f"{one.name}: feed changes {one.feeds}, committed {committed}"]


def _truth_differences(one: Made, committed: list[dict[str, Any]]) -> list[str]:
    if len(committed) != len(one.half_turns):
        return [f"{one.name}: {len(one.half_turns)} half-turns, {len(committed)} committed"]
    return [
        f"{one.name} half-turn {fresh['number']}: {key} is {fresh[key]}, committed {old.get(key)}"
        for fresh, old in zip(one.half_turns, committed, strict=True)
        for key in fresh
        if not _agree(key, fresh[key], old.get(key))
    ]


def _agree(key: str, fresh: Any, old: Any) -> bool:
    if not isinstance(fresh, float) or not isinstance(old, float):
        return bool(fresh == old)
    if key.endswith("_s"):
        return abs(fresh - old) <= TIME_TOLERANCE_S
    if key.endswith("_deg"):
        return abs(fresh - old) <= ANGLE_TOLERANCE_DEG
    return abs(fresh - old) <= max(VALUE_TOLERANCE * abs(old), 0.002)


def _table_differences(
    name: str, kind: str, fresh: Mapping[str, FloatArray], path: Path
) -> list[str]:
    """Compare column by column: RMS difference against the column's largest value."""
    if not path.exists():
        return [f"{name}: no committed {kind}"]
    with gzip.open(path, "rt", encoding="utf-8") as text:
        header = text.readline().strip().split(",")
        old = np.loadtxt(text, delimiter=",", ndmin=2)
    if header != list(fresh) or len(old) != len(fresh["time_s"]):
        return [f"{name}: the committed {kind} has other columns or another length"]
    lines = []
    for column, committed in zip(header, old.T, strict=True):
        rms = float(np.sqrt(np.mean((fresh[column] - committed) ** 2)))
        if rms > VALUE_TOLERANCE * max(float(np.max(np.abs(committed))), 0.2):
            lines.append(f"{name}: {kind} column {column} differs by {rms:.4g} RMS")
    return lines


if __name__ == "__main__":
    sys.exit(main())
