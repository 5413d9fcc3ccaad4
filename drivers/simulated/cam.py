"""The cam disc: where its tracks conduct, and where they short the armature."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

_TINY_DEG = 1e-6  # which side of an edge counts is decided by the way the disc is turning

Arc = tuple[float, float]


def within(arc: Arc, angle_deg: float) -> bool:
    """Whether an angle lies in an arc from its first to its second edge, turning forward."""
    start, end = arc
    return (angle_deg - start) % 360.0 < end - start


def ahead_deg(angle_deg: float, target_deg: float, way: int) -> float:
    """Return how far ahead a target is, in (0, 360]; one just reached is a full turn ahead."""
    distance = (target_deg - angle_deg) * way % 360.0
    return distance if distance > _TINY_DEG else distance + 360.0


@dataclass(frozen=True, slots=True)
class Track:
    """One track: conducts over ``arc`` except in ``dead``; over ``brake`` it shorts the armature.

    An arc of 360 degrees or more has no edges.  Angles in degrees; ``way`` is +1 turning forward
    and -1 backward.
    """

    arc: Arc
    dead: Arc | None = None
    brake: Arc | None = None

    def conducts(self, angle_deg: float, way: int) -> bool:
        """Whether it conducts at an angle; on an edge, what lies ahead counts."""
        angle = angle_deg + way * _TINY_DEG
        if self.dead is not None and within(self.dead, angle):
            return False
        return within(self.arc, angle)

    def brakes(self, angle_deg: float, way: int) -> bool:
        """Whether it shorts the armature at an angle."""
        return self.brake is not None and within(self.brake, angle_deg + way * _TINY_DEG)

    def next_edge_deg(self, angle_deg: float, way: int) -> float:
        """Return how far ahead the next change of any kind is (degrees), infinity if none."""
        nearest = inf
        for arc in (self.arc, self.dead, self.brake):
            if arc is not None and arc[1] - arc[0] < 360.0:
                nearest = min(nearest, *(ahead_deg(angle_deg, edge, way) for edge in arc))
        return nearest


def tracks(
    run: Arc,
    stop: Arc,
    *,
    brake_gap_deg: float | None,
    ends_early_deg: float | None = None,
    dead: Arc | None = None,
    welded: bool = False,
) -> tuple[Track, Track]:
    """Return the stop track and the run track, in the order of the relay's contacts (0, 1).

    ``brake_gap_deg`` None: no dynamic braking.  ``ends_early_deg`` wears the end away of the
    track that conducts there.  ``welded``: both conduct all round.
    """
    if welded:
        return Track((0.0, 360.0)), Track((0.0, 360.0))
    made = []
    for start, end in (stop, run):
        brake = None if brake_gap_deg is None else (end + brake_gap_deg, start + 360.0)
        if ends_early_deg is not None and within((start + 5.0, end), ends_early_deg):
            made.append(Track((start, ends_early_deg % 360.0), dead, brake))
        else:
            made.append(Track((start, end), dead, brake))
    return made[0], made[1]
