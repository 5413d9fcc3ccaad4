"""The rig's own state in words: feeds, emergency stop, dead-man, sensor."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np

from rig.analysis.trace import CLIPPED, LOST, RESET, STUCK
from rig.console.tail import Tail

# A flag of a single sample must be seen: it is shown for so long (s).
FLAG_SHOWN_S = 0.5
NOT_KNOWN = "not known"
NOT_WIRED = "not wired"
NOT_READ_BACK = "not read back"
# The worst first.
_SENSOR = (
    (LOST, "no answer"),
    (RESET, "was reset"),
    (STUCK, "repeats itself"),
    (CLIPPED, "clipped"),
)


@dataclass(frozen=True, slots=True)
class RigWord:
    """One thing of the rig: its name, its state in words, whether it must be seen at once."""

    name: str
    word: str
    alert: bool = False


UNKNOWN = tuple(
    RigWord(name, NOT_KNOWN)
    for name in ("Battery feed", "Ignition feed", "Emergency stop", "Dead-man", "Sensor")
)


def rig_words(
    tail: Tail, *, fresh: bool, has_stop: bool, has_dead_man: bool
) -> tuple[RigWord, ...]:
    """Return the rig's state by the newest samples; what is not fresh is not known.

    ``has_stop``: an emergency stop is wired; ``has_dead_man``: a dead-man is.
    """
    if not fresh or not len(tail):
        return UNKNOWN
    pressed = tail.last("emergency_stop") > 0
    stop = "PRESSED" if pressed else "clear" if has_stop else NOT_WIRED
    held = _held(tail.last("master")) if has_dead_man else NOT_WIRED
    sensor = sensor_word(tail)
    return (
        RigWord("Battery feed", _on(tail.last("battery_feed"))),
        RigWord("Ignition feed", _on(tail.last("ignition_feed"))),
        RigWord("Emergency stop", stop, pressed),
        RigWord("Dead-man", held, held == "DROPPED"),
        RigWord("Sensor", sensor, sensor != "good"),
    )


def sensor_word(tail: Tail) -> str:
    """Return what the current sensor's flags of the last moment say."""
    flags = tail.column("flags", tail.last("time_s") - FLAG_SHOWN_S)
    seen = int(np.bitwise_or.reduce(flags.astype(np.uint8))) if len(flags) else 0
    return next((word for flag, word in _SENSOR if seen & flag), "good")


def _held(master: float) -> str:
    """Return how the dead-man's relay is; without a contact to read it by, nobody knows."""
    return NOT_READ_BACK if isnan(master) else "held" if master > 0 else "DROPPED"


def _on(value: float) -> str:
    return "on" if value > 0 else "off"
