"""What ngspice said: committed traces, waveforms and truth of tests/reference/ngspice."""

from __future__ import annotations

import gzip
import json
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from rig.analysis.model import Direction, Limits, Outcome, UnitType, VoltageLimit
from rig.analysis.trace import FloatArray, Trace
from rig.tracefile import read_trace

NGSPICE = Path(__file__).parents[1] / "reference" / "ngspice"
_LISTED = tomllib.loads((NGSPICE / "circuits.toml").read_text(encoding="utf-8"))
_TRUTH = json.loads((NGSPICE / "truth.json").read_text(encoding="utf-8"))

CIRCUITS: tuple[str, ...] = tuple(_LISTED["circuits"])
FINE: tuple[str, ...] = tuple(name for name, c in _LISTED["circuits"].items() if c.get("fine"))

LIMITS = Limits(
    half_turn_max_s=VoltageLimit(((8.0, 2.0), (12.0, 1.2), (16.0, 1.0))),
    run_on_s=3.0,
    stall_s=0.4,
    rest_max_a=0.05,
)


@dataclass(frozen=True)
class TrueHalfTurn:
    """One half-turn as the circuit's own nodes tell it.  SI units; None = did not cut off."""

    number: int
    direction: Direction
    outcome: Outcome
    start_s: float
    cut_off_s: float | None
    half_turn_s: float | None
    peak_a: float
    turned_deg: float
    cut_off_deg: float | None = None
    middle_a: float | None = None
    rest_a: float | None = None
    charge_c: float | None = None
    energy_j: float | None = None
    supply_v: float | None = None


def true_half_turns(circuit: str) -> list[TrueHalfTurn]:
    """Return the truth of a circuit."""
    return [_true(entry) for entry in _TRUTH["circuits"][circuit]["half_turns"]]


def feeds_of(circuit: str) -> list[tuple[float, bool, bool]]:
    """Return a circuit's feed changes: time (s), battery feed made, ignition feed made."""
    return [(at_s, on[0], on[1]) for at_s, *on in _TRUTH["circuits"][circuit]["feeds"]]


def _true(entry: dict[str, Any]) -> TrueHalfTurn:
    entry = entry | {
        "direction": Direction(entry["direction"]),
        "outcome": Outcome(entry["outcome"]),
    }
    return TrueHalfTurn(**entry)


def unit_of(circuit: str) -> UnitType:
    """Return the nominal data the analysis may know of a circuit's unit."""
    name = _LISTED["circuits"][circuit]["unit"]
    return UnitType(name=name, **_LISTED["units"][name])


def noise_a_of(circuit: str) -> float:
    """Return the standard deviation (A) of the noise that a circuit's sensor adds."""
    return float(_LISTED["circuits"][circuit]["sensing"].get("noise_a", 0.0025))


@cache
def trace_of(circuit: str) -> Trace:
    """Return the committed trace of a circuit, at 1 kHz."""
    return read_trace(NGSPICE / "traces" / f"{circuit}.csv.gz")


def slower(trace: Trace, every: int, first: int = 0) -> Trace:
    """Return every ``every``-th sample from row ``first``: the same sensor, polled less often."""
    return Trace(
        trace.time_s[first::every],
        trace.current_a[first::every],
        trace.voltage_v[first::every],
        trace.battery_feed[first::every],
        trace.ignition_feed[first::every],
    )


@cache
def waveform_of(circuit: str) -> dict[str, FloatArray]:
    """Return the finely sampled waveform of a circuit (instants, not averages)."""
    path = NGSPICE / "waveforms" / f"{circuit}.csv.gz"
    with gzip.open(path, "rt", encoding="utf-8") as text:
        header = text.readline().strip().split(",")
        columns = np.loadtxt(text, delimiter=",").T
    return dict(zip(header, columns, strict=True))
