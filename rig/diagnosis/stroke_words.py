"""The stroke in words: a bar for each ten degrees of the lever, binds, and what differs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rig.analysis.estimate import Estimate
from rig.analysis.model import Direction
from rig.analysis.stroke import lever_deg
from rig.analysis.stroke_mean import Departure
from rig.analysis.wording import direction_words
from rig.diagnosis.layout import told, wrapped
from rig.diagnosis.model import Diagnosis, Stroke

STEP_DEG, BAR = 10.0, 20
PLACE_LEAST_A = 0.1
"""A place that differs by less is not told (A, guess)."""
LEAST = f"{PLACE_LEAST_A:g} A or more"


def lever_words(place: Departure) -> str:
    """Return from where to where on the lever (0 stop, 180 run), as it is passed."""
    ends = lever_deg(np.array([place.from_deg, place.to_deg]))
    return f"{ends[0]:.0f} to {ends[1]:.0f} degrees of the lever"


def stroke_chart(found: Diagnosis) -> Iterator[str]:
    """Return the load over the lever's position, both ways side by side.

    What is drawn is the current that friction and load take, that for speeding up left out.
    """
    ways = {stroke.profile.direction: means(stroke) for stroke in found.strokes}
    most = max((max(v for v in m if v is not None) for m in ways.values() if any(m)), default=0.0)
    counts = {s.profile.direction: s.count for s in found.strokes}
    heads = [
        f"{direction_words(way)} (mean of {counts[way]})" if way in counts else ""
        for way in Direction
    ]
    yield f"lever    {heads[0]:<{BAR + 9}}{heads[1]}".rstrip()
    for k in range(round(180.0 / STEP_DEG)):
        middle = (k + 0.5) * STEP_DEG
        cells = [_bar(ways[way][k], most) if way in ways else "" for way in Direction]
        mark = "  < binds" if any(_there(b.lever_deg, middle) for b in found.binds) else ""
        yield f"{middle:3.0f} deg  {cells[0]:<{BAR + 9}}{cells[1]}{mark}".rstrip()
    constant = found.strokes[0].profile.nm_per_a if found.strokes else None
    torque = ""
    if constant is not None and constant.value is not None:
        torque = f" 1 A is {constant.value:.2f} N m at the output, the gear's own losses left out."
    yield from wrapped(
        "Current for friction and load, the lever at 0 in stop and 180 in run; '.' is the run-up, "
        f"where it is not seen.{torque}"
    )


def means(stroke: Stroke) -> list[float | None]:
    """Return the mean load (A) of each ten degrees of the lever; None where it was not seen."""
    lever, load = stroke.profile.lever_deg, stroke.profile.load_a
    found: list[float | None] = []
    for k in range(round(180.0 / STEP_DEG)):
        there = (lever >= k * STEP_DEG) & (lever < (k + 1) * STEP_DEG) & np.isfinite(load)
        found.append(float(load[there].mean()) if there.any() else None)
    return found


def _bar(load_a: float | None, most_a: float) -> str:
    if load_a is None:
        return "   .  "
    length = round(BAR * max(load_a, 0.0) / most_a) if most_a > 0.0 else 0
    return f"{load_a:5.2f} {'#' * length}"


def _there(bind_deg: float, middle_deg: float) -> bool:
    return math.floor(bind_deg / STEP_DEG) == math.floor(middle_deg / STEP_DEG)


def bind_lines(found: Diagnosis) -> Iterator[str]:
    """Return each bind with what says where it is."""
    if not found.binds:
        yield "It does not bind anywhere beyond the run-up."
    for bind in found.binds:
        heights = []
        for way in bind.directions:
            height = bind.to_run_a if way is Direction.TO_RUN else bind.to_stop_a
            torque = bind.torque_nm(way)
            more = f" ({told(torque)})" if torque.known else ""
            heights.append(f"{height.value:.2f} A{more} {direction_words(way)}")
        yield from wrapped(
            f"Binds at {bind.lever_deg:.0f} ± {2.0 * bind.lever_u_deg:.0f} degrees, "
            f"{bind.width_deg:.0f} wide: {', '.join(heights)}. {bind.why} {bind.missing}"
        )


def unhooked_lines(found: Diagnosis) -> Iterator[str]:
    """Return which run told what is left with the cable off, or that it told nothing."""
    references = found.references
    if not references.unhooked:
        return
    of = f"With the cable off: {references.unhooked}"
    if references.unhooked_missing:
        yield from wrapped(f"{of}. It tells nothing: {references.unhooked_missing}.")
    elif not found.binds:
        yield from wrapped(f"{of}. Nothing binds there either, so it tells nothing more.")
    else:
        yield from wrapped(f"{of}.")


def compared_lines(found: Diagnosis) -> Iterator[str]:
    """Return how the stroke differs from its reference, way by way."""
    references = found.references
    whom = "earlier runs of this unit" if references.strokes_are_own else "good units"
    for stroke in found.strokes:
        compared = stroke.compared
        if compared is None:
            continue
        way = direction_words(stroke.profile.direction)
        if compared.missing:
            yield from wrapped(f"{way}: {compared.missing}")
            continue
        beyond = "" if compared.is_general else ", within what they differ by anyway"
        places = [
            f"{place.load_a:+.2f} A from {lever_words(place)}"
            for place in compared.departures
            if abs(place.load_a) >= PLACE_LEAST_A
        ]
        also = f"; besides {', '.join(places)}" if places else f"; no place besides ({LEAST})"
        yield from wrapped(
            f"{way}: {_general(compared.general_a)} at all angles alike{beyond}{also}."
        )
    yield from wrapped(f"Against {whom}: {'; '.join(references.strokes)}.")


def _general(off_a: Estimate) -> str:
    """Return how much more or less current it takes, the sign in words."""
    value_a = off_a.value or 0.0
    return f"{told(replace(off_a, value=abs(value_a)))} {'less' if value_a < 0.0 else 'more'}"
