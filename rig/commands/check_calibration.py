"""What `halfturn check` says of a station's calibration; the records are only read."""

from __future__ import annotations

from pathlib import Path

from drivers import Finding, FindingState
from rig.bench.dates import wall_clock
from rig.quality.calibration import CalibrationState, Standing
from rig.quality.calibration_words import due_words, standing_words
from rig.records.calibrations import kept_of_rig
from rig.records.errors import RecordsError
from rig.settings import RigSettings, StationSettings
from rig.standing import standing_by_file

_TITLE = "Calibration"


def standing_today(settings: RigSettings, station: StationSettings, records: Path) -> Standing:
    """Return how the station stands today; RecordsError if the records cannot be read."""
    made, _ = kept_of_rig(records, settings.name, station.name)
    return standing_by_file(settings, station, made, wall_clock().astimezone().date())


def calibration_finding(settings: RigSettings, station: StationSettings, records: Path) -> Finding:
    """Return how the station's calibration stands today, and whether it is due soon."""
    wanted = settings.calibration
    today = wall_clock().astimezone().date()
    try:
        made, _ = kept_of_rig(records, settings.name, station.name)
    except RecordsError as error:
        return Finding("calibration", _TITLE, FindingState.LEFT_OUT, f"not known: {error}")
    stands = standing_by_file(settings, station, made, today)
    text = standing_words(stands)
    to_do = due_words(stands, wanted.warn_days)
    in_force = stands.state is CalibrationState.IN_FORCE
    state = FindingState.LOOK if to_do else FindingState.OK
    if not in_force and wanted.overdue == "refuse":
        state = FindingState.WRONG
        text += ' The rig file lets no plan run so (overdue = "refuse").'
    elif stands.simulated and stands.state is CalibrationState.NEVER:
        state, to_do = FindingState.OK, ""
    return Finding("calibration", _TITLE, state, text, to_do)
