"""The console's places: each a screen with its key."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Place:
    """A screen: its name in the program, its key, its name for the operator."""

    name: str
    key: str
    title: str
    tells: str
    simulated_only: bool = False
    several_only: bool = False


PLACES = (
    Place("bench", "f2", "Bench", "Choose unit and plan, and start"),
    Place("live", "f3", "Live", "Watch the run that is on"),
    Place("by_hand", "f4", "By hand", "Make and break the feeds yourself"),
    Place("verdict", "f5", "Verdict", "What came out, and why"),
    Place("records", "f6", "Records", "Find runs, follow a unit, compare"),
    Place("rig", "f7", "Rig", "The rig itself: wiring, readings, self-check"),
    Place("world", "f8", "Sim", "The simulated bench: unit and faults", simulated_only=True),
    Place("stations", "f10", "Stations", "All stations side by side", several_only=True),
)
"""In the order of their keys."""


CAUSES = Place("isolate", "f3", "Causes", "Find out what is wrong with a suspect unit")
"""The other side of Live while a fault is isolated: its key leads from one to the other."""

GOLDEN = Place("golden", "f7", "Golden", "Is the rig in control, by its golden units")
GAUGE = Place("gauge", "f7", "Gauge", "Gauge studies: what of a value is the rig's own")
OF_RIG = (GOLDEN, GAUGE)
"""Come to from Rig, and left to it."""

LOTS = Place("lots", "f6", "Lots", "Deliveries, judged by a sample")
"""Come to from Records, and left to it."""

FOR_ALL = frozenset({"records", "stations"})
"""Places that are one for all stations; of the others each station has its own."""


EVERY = (*PLACES, CAUSES, LOTS, *OF_RIG)
"""Every place of every bench."""


def tab_of(name: str) -> str:
    """Return the place whose tab a place is seen under."""
    if any(place.name == name for place in OF_RIG):
        return "rig"
    if name == LOTS.name:
        return "records"
    return "live" if name == CAUSES.name else name


def places(simulated: bool, *, several: bool = False) -> tuple[Place, ...]:
    """Return the places there are on this bench; ``several``: it has more than one station."""
    return tuple(
        place
        for place in PLACES
        if (simulated or not place.simulated_only) and (several or not place.several_only)
    )
