"""Read from a circuit's own nodes what each half-turn did.

Nothing here is shared with the program's analysis, and nothing is read from sampled data: lever
angle, contact states, rotor speed and the true currents are nodes of the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from simulate import FloatArray, Nodes

BOUNCE_S = 0.050  # edges of a feed nearer than this belong to one make or break

# What counts as what; the limits are those the analysis is given in the tests.
LIMIT_V = (8.0, 12.0, 16.0)
LIMIT_S = (2.0, 1.2, 1.0)
RUN_ON_S = 3.0
STALL_S = 0.4
STANDING_RAD_S = 5.0  # at the rotor: 3.6 deg/s at the lever of a unit geared 80 to 1
SHORT_DEG = 10.0  # the track opened this far before the park position
NO_CURRENT_A = 0.05
NO_FEED_V = 3.0
NO_FEED_S = 0.02  # longer than any contact bounces


@dataclass(frozen=True)
class Edge:
    """A feed change: first contact, and the state it settles in."""

    time_s: float
    made: bool


def half_turns(nodes: Nodes) -> list[dict[str, Any]]:
    """Return the truth of every half-turn: one for each ignition change with battery feed on."""
    battery = _edges(nodes, "cb")
    ignition = _edges(nodes, "ci")
    end_s = float(nodes["time"][-1])
    found: list[dict[str, Any]] = []
    for index, edge in enumerate(ignition):
        if not _state_at(battery, edge.time_s):
            continue
        ends = [e.time_s for e in ignition[index + 1 :]]
        ends += [e.time_s for e in battery if e.time_s > edge.time_s and not e.made]
        until_s = min([*ends, end_s])
        found.append(_half_turn(nodes, len(found) + 1, edge, until_s))
    return found


def feed_changes(nodes: Nodes) -> list[list[Any]]:
    """Return [time (s), battery feed made, ignition feed made] for every change, less bounces."""
    changes = [(edge.time_s, 0, edge.made) for edge in _edges(nodes, "cb")]
    changes += [(edge.time_s, 1, edge.made) for edge in _edges(nodes, "ci")]
    made = [False, False]
    found: list[list[Any]] = []
    for time_s, feed, state in sorted(changes):
        made[feed] = state
        found.append([time_s, *made])
    return found


def _half_turn(nodes: Nodes, number: int, edge: Edge, until_s: float) -> dict[str, Any]:
    time = nodes["time"]
    part = (time >= edge.time_s) & (time < until_s)
    here = {name: value[part] for name, value in nodes.items()}
    closed = _path(here, edge.made)
    cut_s = _cut_off(here["time"], closed)
    outcome = _outcome(here, closed, edge.time_s, cut_s, until_s, edge.made)
    truth: dict[str, Any] = {
        "number": number,
        "direction": "to_run" if edge.made else "to_stop",
        "outcome": outcome,
        "start_s": edge.time_s,
        "cut_off_s": cut_s,
        "half_turn_s": None,
        "peak_a": float(np.max(here["ifeed"])),
        "turned_deg": float(here["deg"][-1] - here["deg"][0]),
    }
    if cut_s is not None:
        truth |= _measures(here, edge.time_s, cut_s)
    return truth


def _path(here: Nodes, to_run: bool) -> Any:
    """Return where the relay contact and the track (or its weld) are both closed."""
    relay, track = (here["pn"], here["pa"]) if to_run else (here["pc"], here["pb"])
    weld = here.get("weld", np.zeros_like(track))
    return (relay > 0.5) & ((track > 0.5) | (weld > 0.5))


def _cut_off(time_s: FloatArray, closed: Any) -> float | None:
    """Return when the track opened for good.  The relay's bounce reopens the path before."""
    if not closed.any() or closed[-1]:
        return None
    return float(time_s[np.flatnonzero(closed)[-1] + 1])


def _outcome(
    here: Nodes, closed: Any, start_s: float, cut_s: float | None, until_s: float, to_run: bool
) -> str:
    time = here["time"]
    driven = time < (until_s if cut_s is None else cut_s)
    if _time_where(here, driven & (here["src"] < NO_FEED_V)) > NO_FEED_S:
        return "no_feed"
    if not closed.any() or np.max(np.abs(here["ia"])) < NO_CURRENT_A:
        return "no_movement"
    if cut_s is not None:
        return _outcome_of_park(here, driven & closed, start_s, cut_s, to_run)
    moving = time[here["w"] > STANDING_RAD_S]
    stood_since_s = float(moving[-1]) if len(moving) else start_s
    if until_s - stood_since_s >= STALL_S:
        return "stalled"
    if len(moving) and until_s - start_s >= RUN_ON_S:
        return "runs_on"
    raise ValueError(f"the half-turn at {start_s:.4f} s has no outcome: redesign the circuit")


def _outcome_of_park(here: Nodes, driven: Any, start_s: float, cut_s: float, to_run: bool) -> str:
    park_deg = 180.0 if to_run else 360.0
    past_deg = np.interp(cut_s, here["time"], here["deg"]) - park_deg
    if -180.0 < (past_deg + 180.0) % 360.0 - 180.0 < -SHORT_DEG:
        return "stops_short"
    limit_s = np.interp(_median(here, "ub", driven), LIMIT_V, LIMIT_S)
    if abs((cut_s - start_s) / limit_s - 1) < 0.05:
        raise ValueError(f"the half-turn at {start_s:.4f} s is too near its limit to be a check")
    return "parked" if cut_s - start_s < limit_s else "slow"


def _time_where(here: Nodes, where: Any) -> float:
    steps = np.diff(here["time"], append=here["time"][-1])
    return float(np.sum(steps[where]))


def _measures(here: Nodes, start_s: float, cut_s: float) -> dict[str, float]:
    time, current = here["time"], here["ifeed"]
    driven = time <= cut_s
    power = current * here["ub"]
    middle = (time > start_s + 0.4 * (cut_s - start_s)) & (time < start_s + 0.6 * (cut_s - start_s))
    rest = time > time[-1] - 0.1
    return {
        "half_turn_s": cut_s - start_s,
        "cut_off_deg": float(np.interp(cut_s, time, here["deg"]) - here["deg"][0]),
        "middle_a": _mean(time, current, middle),
        "rest_a": _mean(time, current, rest),
        "charge_c": float(np.trapezoid(current[driven], time[driven])),
        "energy_j": float(np.trapezoid(power[driven], time[driven])),
        "supply_v": _median(here, "ub", driven & (current > NO_CURRENT_A)),
    }


def _mean(time_s: FloatArray, value: FloatArray, where: Any) -> float:
    t, v = time_s[where], value[where]
    return float(np.trapezoid(v, t) / (t[-1] - t[0]))


def _median(here: Nodes, node: str, where: Any) -> float:
    """Return the median over time, not over the simulator's uneven steps."""
    t, v = here["time"][where], here[node][where]
    return float(np.median(np.interp(np.arange(t[0], t[-1], 1e-4), t, v)))


def _edges(nodes: Nodes, node: str) -> list[Edge]:
    """Return the changes of a feed; a burst of bounces is one change at its first contact."""
    time, level = nodes["time"], nodes[node]
    made = level > 0.5
    rows = np.flatnonzero(made[1:] != made[:-1])
    part = (0.5 - level[rows]) / (level[rows + 1] - level[rows])
    times = time[rows] + part * (time[rows + 1] - time[rows])
    bursts = np.split(np.arange(len(times)), np.flatnonzero(np.diff(times) > BOUNCE_S) + 1)
    return [Edge(float(times[b[0]]), bool(made[rows[b[-1]] + 1])) for b in bursts if len(b)]


def _state_at(edges: list[Edge], time_s: float) -> bool:
    before = [edge.made for edge in edges if edge.time_s <= time_s]
    return bool(before and before[-1])
