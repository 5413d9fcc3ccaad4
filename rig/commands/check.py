"""`halfturn check`: the rig file and plans against each other; nothing is fed."""

from __future__ import annotations

import argparse
import sys

from rig.commands import exits
from rig.commands.common import plan_of, rig_settings
from rig.feasible import cautions_on_rig, check_plan_on_rig, describe_sensor
from rig.plans import list_plans
from rig.schema import MistakesError


def run(options: argparse.Namespace) -> int:
    """Check and say what was found; 0 if a run would start, else the mistakes' status."""
    settings = rig_settings(options)
    station = settings.station(options.station or settings.stations[0].name)
    print(
        f"{settings.file}: rig {settings.name}, backend {settings.backend}: read without mistakes"
    )
    for warning in settings.warnings():
        print(f"  warning: {warning}")
    names = options.plans or sorted(list_plans((settings.plans,)))
    wrong = False
    for name in names:
        try:
            plan = plan_of(name, settings)
            mistakes = check_plan_on_rig(plan, settings, station)
        except MistakesError as error:
            wrong = True
            print(error, file=sys.stderr)
            continue
        if mistakes:
            wrong = True
            print("\n".join(str(mistake) for mistake in mistakes), file=sys.stderr)
            continue
        print(f"{plan.file}: {plan.title}: can be run on station {station.name}")
        print(f"  {describe_sensor(settings, station, plan)}")
        for caution in cautions_on_rig(plan, settings, station):
            print(f"  warning: {caution}")
    return exits.FILES if wrong else exits.PASS
