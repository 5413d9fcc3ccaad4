"""Is this computer fit to run the bench?  Small checks, each with what to do; nothing is fed.

Everything that is looked at outside the program comes in as an argument, so that each check can be
tried without the computer it is meant for.
"""

from __future__ import annotations

from pathlib import Path

from drivers import BackendOptions, ChecksItself, DriverError, Finding, FindingState
from drivers.backends import load_backend
from rig.bench.order import CHECK_MAX_A
from rig.machine import clock, disk, granted
from rig.settings import RigSettings, StationSettings

BUILT_IN = ("pi", "simulated")


def findings(
    settings: RigSettings, station: StationSettings, records: Path, root: Path = Path("/")
) -> list[Finding]:
    """Return what is found of this machine, for a rig whose records are at ``records``."""
    found = [
        *granted.findings(settings.control, root),
        disk.free(records.parent, station.sample_hz),
        clock.right(records, root),
        clock.zone(),
    ]
    if settings.backend != "simulated":
        return [*found, *_of_backend(settings, station)]
    return [
        *(_without_a_rig(finding) for finding in found),
        *_of_backend(settings, station),
    ]


def _without_a_rig(finding: Finding) -> Finding:
    """Return a finding as it counts for the simulated bench, which needs no punctual loop."""
    if finding.name not in granted.NAMES or finding.state is not FindingState.LOOK:
        return finding
    text = f"{finding.text} (does not matter on the simulated bench)"
    return Finding(finding.name, finding.title, FindingState.OK, text)


def _of_backend(settings: RigSettings, station: StationSettings) -> list[Finding]:
    """Return what the backend says of its own machine; it claims no pin for that."""
    title = "Pins and buses"
    if settings.backend not in BUILT_IN:
        text = f"the backend {settings.backend} is opened by `halfturn check --bench` only"
        return [Finding("pins", title, FindingState.LEFT_OUT, text)]
    wiring = settings.wiring(CHECK_MAX_A, station.name)
    sensors = [each.battery_sensor for each in wiring.stations]
    sensors += [each.ignition_sensor for each in wiring.stations if each.ignition_sensor]
    try:
        backend = load_backend(settings.backend, wiring, BackendOptions())
    except DriverError as error:
        return [Finding("pins", title, FindingState.WRONG, str(error))]
    try:
        return (
            list(backend.checks(sorted({s.bus for s in sensors})))
            if isinstance(backend, ChecksItself)
            else []
        )
    finally:
        backend.close()
