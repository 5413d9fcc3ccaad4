"""`halfturn check`: rig file and plans, this machine, and on request the bench; nothing is fed."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from drivers import Finding, FindingState
from rig.commands import exits
from rig.commands.common import RECORDS_FILE, plan_of, rig_settings
from rig.commands.exits import CommandError
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.crowding import crowds, crowds_in_words, why_crowded
from rig.feasible import cautions_on_rig, check_plan_on_rig, describe_sensor
from rig.plans import Plan, list_plans
from rig.records.errors import RecordsError
from rig.schema import MistakesError
from rig.settings import RigSettings, StationSettings


@dataclass
class PlanLook:
    """A plan held against the rig: with ``mistakes`` it cannot be run."""

    plan: str
    file: str = ""
    title: str = ""
    sensor: str = ""
    warnings: list[str] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)


def run(options: argparse.Namespace) -> int:
    """Check and say what was found; 0 if a run would start, else why not as a status."""
    if options.jig_empty and not options.bench:
        raise CommandError(exits.USAGE, "--jig-empty says something about the bench: add --bench.")
    settings = _settings(options)
    station = settings.station(options.station or settings.stations[0].name)
    names = options.plans or sorted(list_plans((settings.plans,)))
    plans = [_plan(name, settings, station) for name in names]
    if not options.json:
        _tell_files(settings, station, plans)
    machine = _machine(settings, station)
    if not options.json:
        _tell("this machine", machine)
    bench: list[Finding] | None = None
    if options.bench:
        from rig.commands.check_bench import bench_findings

        bench = bench_findings(settings, station, jig_empty=options.jig_empty)
        if not options.json:
            _tell("the bench, nothing fed", bench)
    status = _status(plans, [*machine, *(bench or [])])
    if options.json:
        say(json.dumps(_answer(settings, station, plans, machine, bench, status), indent=2))
    return status


def _settings(options: argparse.Namespace) -> RigSettings:
    try:
        return rig_settings(options)
    except MistakesError as error:
        if options.json:
            rig = {"mistakes": str(error).splitlines()}
            answer = {"status": exits.FILES, "rig": rig, "plans": [], "machine": [], "bench": None}
            say(json.dumps(answer, indent=2))
        raise


def _status(plans: Sequence[PlanLook], found: Sequence[Finding]) -> int:
    if any(plan.mistakes for plan in plans):
        return exits.FILES
    wrong = any(finding.state is FindingState.WRONG for finding in found)
    return exits.BENCH if wrong else exits.PASS


def _plan(name: str, settings: RigSettings, station: StationSettings) -> PlanLook:
    look = PlanLook(name)
    try:
        plan = plan_of(name, settings)
        mistakes = check_plan_on_rig(plan, settings, station)
    except MistakesError as error:
        look.mistakes = str(error).splitlines()
        return look
    look.file, look.title = str(plan.file), plan.title
    look.mistakes = [str(mistake) for mistake in mistakes]
    if not mistakes:
        look.sensor = describe_sensor(settings, station, plan)
        look.warnings = [
            *cautions_on_rig(plan, settings, station),
            *_never_passed(plan, settings, station),
        ]
    return look


def _never_passed(plan: Plan, settings: RigSettings, station: StationSettings) -> tuple[str, ...]:
    """Return what no unit can pass with, as the station is calibrated today."""
    from rig.commands.check_calibration import standing_today
    from rig.quality.limit_budgets import never_passed
    from rig.quality.uncertainty import budgets_of

    try:
        stands = standing_today(settings, station, settings.logs / RECORDS_FILE)
    except RecordsError:  # told of the machine
        return ()
    return tuple(never_passed(budgets_of(station, plan, stands).limits))


def _machine(settings: RigSettings, station: StationSettings) -> list[Finding]:
    from rig.commands.check_calibration import calibration_finding
    from rig.machine import findings

    records = settings.logs / RECORDS_FILE
    return [*findings(settings, station, records), calibration_finding(settings, station, records)]


def _tell_files(settings: RigSettings, station: StationSettings, plans: Sequence[PlanLook]) -> None:
    say(f"{settings.file}: rig {settings.name}, backend {settings.backend}: read without mistakes")
    for warning in settings.warnings():
        say(f"  warning: {warning}")
    together = crowds_in_words(settings)
    if together:
        say(f"  {together}")
        crowded = why_crowded(settings, [each.name for each in settings.stations])
        if crowded:
            say(f"  warning: {crowded}")
    shared = _shared(plans)
    for plan in plans:
        if plan.mistakes:
            tell("\n".join(plan.mistakes))
            continue
        say(f"{plan.file}: {plan.title}: can be run on station {station.name}")
        say(f"  {plan.sensor}")
        for caution in plan.warnings:
            if caution not in shared:
                say(f"  warning: {caution}")
    for caution, names in shared.items():
        say(f"  warning ({', '.join(names)}): {caution}")


def _shared(plans: Sequence[PlanLook]) -> dict[str, list[str]]:
    """Return the cautions that several plans have, with the plans' names: each is told once."""
    of: dict[str, list[str]] = {}
    for plan in plans:
        for caution in dict.fromkeys(plan.warnings):
            of.setdefault(caution, []).append(plan.plan)
    return {caution: names for caution, names in of.items() if len(names) > 1}


_WORDS = {
    FindingState.OK: "ok",
    FindingState.LOOK: "look",
    FindingState.WRONG: "WRONG",
    FindingState.LEFT_OUT: "-",
}


def _tell(heading: str, found: Sequence[Finding]) -> None:
    say(f"{heading}:")
    for finding in found:
        _line(f"  {_WORDS[finding.state]:<6}{finding.title}: {finding.text}")
        if finding.to_do:
            _line(f"        {finding.to_do}")


def _line(text: str) -> None:
    say(wrapped(text) if sys.stdout.isatty() else text)


def _answer(
    settings: RigSettings,
    station: StationSettings,
    plans: Sequence[PlanLook],
    machine: Sequence[Finding],
    bench: Sequence[Finding] | None,
    status: int,
) -> dict[str, Any]:
    return {
        "status": status,
        "rig": {
            "file": str(settings.file),
            "name": settings.name,
            "backend": settings.backend,
            "station": station.name,
            "warnings": list(settings.warnings()),
            "samples_per_s_at_once": [one.samples_hz for one in crowds(settings)],
        },
        "plans": [asdict(plan) for plan in plans],
        "machine": [asdict(finding) for finding in machine],
        "bench": None if bench is None else [asdict(finding) for finding in bench],
    }
