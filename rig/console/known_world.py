"""What is known of the simulated world: how it began, and what was done to it since."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rig.bench.events import Noted

# What the simulated hands say was done -> what it makes of which part.
_DONE: dict[str, tuple[str, str]] = {
    "lever locked": ("Lever", "LOCKED"),
    "lever free": ("Lever", "free"),
    "emergency stop pressed": ("Emergency stop", "PRESSED"),
    "emergency stop released": ("Emergency stop", "released"),
    "unit removed": ("Unit", "TAKEN OFF"),
    "unit fitted": ("Unit", "fitted"),
    "fuse blown": ("Fuse", "BLOWN"),
    "new fuse fitted": ("Fuse", "new"),
    "load removed": ("Load", "none hung"),
    "known good relay fitted": ("Relay", "KNOWN GOOD ONE"),
    "own relay fitted": ("Relay", "the unit's own"),
}
_AT_FIRST = {
    "Lever": "free",
    "Emergency stop": "released",
    "Unit": "fitted",
    "Fuse": "as fitted",
}


@dataclass
class KnownWorld:
    """``parts``: state by part, capitals where it is not as it should be; ``faults``: degree text
    by the fault's name, empty if it is there or not.
    """

    parts: dict[str, str] = field(default_factory=lambda: dict(_AT_FIRST))
    faults: dict[str, str] = field(default_factory=dict)

    def take(self, text: str) -> None:
        """Take note of what the hands say was done; anything else changes nothing."""
        if text in _DONE:
            part, state = _DONE[text]
            self.parts[part] = state
        elif text.endswith(" N m hung"):
            self.parts["Load"] = text.upper().replace("N M", "N m")
        elif text.startswith("fault ") and text.endswith(" is on"):
            name, degree = split_fault(text.removeprefix("fault ").removesuffix(" is on"))
            self.faults[name] = degree
        elif text.startswith("fault ") and text.endswith(" is gone"):
            self.faults.pop(text.removeprefix("fault ").removesuffix(" is gone"), None)


def split_fault(asked: str) -> tuple[str, str]:
    """Return name and degree of ``name=degree`` (with ``@seconds``), the degree may be empty.

    ``+seconds`` after that is how long it lasts.
    """
    rest, at, after = asked.partition("@")
    name, _, degree = rest.partition("=")
    after, lasts, lasts_s = after.partition("+")
    words = (f" from {after} s on" if at else "") + (f", for {lasts_s} s" if lasts else "")
    return name.strip(), degree + words


def known_world(faults: Iterable[str], notes: Iterable[Noted]) -> KnownWorld:
    """Return what is known of a world that began with ``faults``, after ``notes``."""
    world = KnownWorld(faults=dict(map(split_fault, faults)))
    for note in notes:
        if note.kind == "world":
            world.take(note.text)
    return world
