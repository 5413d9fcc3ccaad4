"""What the rig reads just now with its feeds off, in words; what is not live is not told."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np

from rig.console.rig_state import NOT_READ_BACK, NOT_WIRED, sensor_word
from rig.console.tail import Tail
from rig.settings import RigSettings, StationSettings

MEAN_S = 1.0  # currents near nothing are noise; the mean of so long is a reading
NOT_READ = "not read"


@dataclass(frozen=True, slots=True)
class Row:
    """One reading: its name, its value in words, whether it must be seen at once."""

    name: str
    word: str
    alert: bool = False


def reading_rows(
    tail: Tail, settings: RigSettings, station: StationSettings, *, fresh: bool
) -> tuple[Row, ...]:
    """Return the readings of the last moment; without fresh ones their names alone."""
    live = fresh and len(tail) > 0
    since_s = tail.last("time_s") - MEAN_S if live else float("inf")
    stop, dead_man = settings.emergency_stop, settings.dead_man
    rows = [
        _current("Battery feed", tail, "current_a", since_s),
        _number("Voltage", tail.last("voltage_v"), "V", 2),
    ]
    if station.ignition_sensor is not None:
        rows.append(_current("Ignition feed", tail, "ignition_a", since_s))
    sensor = sensor_word(tail)
    rows += [
        Row("Current sensor", sensor, sensor != "good"),
        _contact("Emergency stop", tail.last("emergency_stop"), "PRESSED", "clear"),
        _contact("Master relay", tail.last("master"), "made", "dropped"),
        _contact("Jig at run", tail.last("at_run"), "pressed", "free"),
        _contact("Jig at stop", tail.last("at_stop"), "pressed", "free"),
        Row("Samples", f"{len(tail.column('time_s', since_s))} a second"),
    ]
    wired = {
        "Emergency stop": stop is not None,
        "Master relay": dead_man is not None,
        "Jig at run": station.at_run is not None,
        "Jig at stop": station.at_stop is not None,
    }
    missing = {name: NOT_WIRED for name, there in wired.items() if not there}
    if dead_man is not None and dead_man.sense_pin is None:
        missing["Master relay"] = NOT_READ_BACK
    return tuple(
        Row(row.name, missing[row.name])
        if row.name in missing
        else row
        if live
        else Row(row.name, NOT_READ)
        for row in rows
    )


def _current(name: str, tail: Tail, column: str, since_s: float) -> Row:
    values = tail.column(column, since_s)
    good = values[np.isfinite(values)]
    return _number(name, float(good.mean()) if len(good) else float("nan"), "A", 4)


def _number(name: str, value: float, unit: str, digits: int) -> Row:
    return Row(name, "no reading" if isnan(value) else f"{value:+z.{digits}f} {unit}", isnan(value))


def _contact(name: str, value: float, actuated: str, at_rest: str) -> Row:
    return Row(name, actuated if value > 0 else at_rest, actuated == "PRESSED" and value > 0)
