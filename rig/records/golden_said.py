"""What the golden units said of the rig, as it is kept with a run and told of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any


class GoldenStanding(StrEnum):
    """How the rig stands by its golden units."""

    CHECK = "check"  # the run itself is a golden unit's check
    IN_CONTROL = "in_control"
    LOOK = "look"  # in control, but something calls for a look
    BASELINE = "baseline"  # the checks that set the limits are still being gathered
    DUE = "due"  # a check is demanded and there is none
    OUT = "out_of_control"


WORST = (
    GoldenStanding.OUT,
    GoldenStanding.DUE,
    GoldenStanding.BASELINE,
    GoldenStanding.LOOK,
    GoldenStanding.IN_CONTROL,
    GoldenStanding.CHECK,
)
"""From the worst on."""


def said(
    standing: GoldenStanding, text: str, *, serial: str = "", checked_at: datetime | None = None
) -> dict[str, Any]:
    """Return what is kept with a run."""
    return {
        "standing": str(standing.value),
        "text": text,
        "serial": serial,
        "checked_at": None if checked_at is None else checked_at.isoformat(),
    }


def golden_standing(golden: Mapping[str, Any] | None) -> GoldenStanding | None:
    """Return how the rig stood when a run began; None where no unit was golden."""
    word = None if golden is None else golden.get("standing")
    return next((standing for standing in GoldenStanding if standing.value == word), None)


def golden_words(golden: Mapping[str, Any] | None) -> str:
    """Return a sentence or two on how the rig stood when a run began; "" where nothing is known."""
    return "" if golden is None else str(golden.get("text", ""))


def golden_in_short(golden: Mapping[str, Any] | None) -> str:
    """Return what a verdict has to carry of its rig, where there is little room; "" if nothing."""
    match golden_standing(golden):
        case GoldenStanding.OUT:
            return "RIG OUT OF CONTROL"
        case GoldenStanding.DUE:
            return "golden check was due"
    return ""


def is_warning(golden: Mapping[str, Any] | None) -> bool:
    """Tell whether whoever starts a run has to be told."""
    return golden_standing(golden) in (GoldenStanding.OUT, GoldenStanding.DUE, GoldenStanding.LOOK)
