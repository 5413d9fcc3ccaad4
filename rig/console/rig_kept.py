"""What the records hold of the rig itself: how its calibration stands, its last self-check."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rig.quality.calibration import Standing
from rig.records.calibrations import RigCheckRecord, kept_of_rig
from rig.records.errors import RecordsError
from rig.settings import RigSettings
from rig.standing import standing_by_file


@dataclass(frozen=True)
class RigKept:
    """How ``station`` stands today, and its last self-check (None: none is kept)."""

    station: str
    standing: Standing
    last_check: RigCheckRecord | None


def rig_kept(
    settings: RigSettings, station: str, records: Path, now: datetime, backend: str | None
) -> RigKept | None:
    """Return what is kept of a station; None if the records cannot be read.

    Called in a thread; whoever needs the records otherwise is told what is wrong with them.
    """
    try:
        made, checks = kept_of_rig(records, settings.name, station)
    except RecordsError:
        return None
    today = now.astimezone().date()
    stands = standing_by_file(settings, settings.station(station), made, today, backend)
    check = next((c for c in checks if c.simulated == stands.simulated), None)
    return RigKept(station, stands, check)
