"""`halfturn golden`: declare golden units, check the rig by them, see how it stands."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime

from rig.commands import exits
from rig.commands.common import (
    need_printable,
    open_records,
    plan_of,
    records_path,
    rig_settings,
)
from rig.commands.exits import CommandError
from rig.commands.run import carry_out_told, order_of, status_of
from rig.commands.streams import say
from rig.commands.terminal import wrapped
from rig.feasible import check_plan_on_rig
from rig.labels import NAME_LONGEST
from rig.quality.control_chart import LEAST_BASELINE
from rig.records.golden_said import GoldenStanding
from rig.records.store import Store
from rig.records.study_model import GoldenKept
from rig.schema import MistakesError
from rig.settings import RigSettings
from rig.studies.as_json import golden_object
from rig.studies.golden import (
    USUAL_BASELINE,
    GoldenState,
    newest_state,
    state_of,
)
from rig.studies.golden_words import chart_lines, state_lines
from rig.studies.order import DesignError
from rig.studies.setting_up import golden_start
from rig.studies.simulated import chance_of_check, options_for

MOST_BASELINE = 100


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with golden units."""
    settings = rig_settings(options, backend=getattr(options, "backend", None) or "simulated")
    if options.action == "check":
        return _check(options, settings)
    records = records_path(options, settings)
    with open_records(records, create=options.action == "declare") as store:
        match options.action:
            case "declare":
                return _declare(store, options, settings)
            case "list":
                return _list(store, options, settings)
            case "show":
                return _show(store, options, settings)
            case "baseline":
                return _baseline(store, options)
            case _:
                golden = _meant(store, options)
                store.golden.withdraw(golden.golden_id, datetime.now(UTC))
                say(f"{golden.serial} is not golden any more; its checks are kept.")
                return exits.PASS


def today() -> date:
    """Return the day it is here."""
    return datetime.now().astimezone().date()


def _declare(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    station = settings.station(options.station)
    plan = plan_of(options.plan, settings)
    mistakes = check_plan_on_rig(plan, settings, station)
    if mistakes:
        raise MistakesError(mistakes)
    baseline = USUAL_BASELINE if options.baseline is None else options.baseline
    if not LEAST_BASELINE <= baseline <= MOST_BASELINE:
        raise CommandError(
            exits.USAGE, f"--baseline must be from {LEAST_BASELINE} to {MOST_BASELINE}."
        )
    try:
        start = golden_start(
            options.serial, plan, station.name, options.measure, options.operator, baseline
        )
    except DesignError as error:
        raise CommandError(exits.USAGE, str(error)) from error
    store.golden.declare(start)
    serial = start.serial
    say(
        wrapped(
            f"{serial} is golden by the plan {plan.name} on station {station.name}. Its next "
            f"{baseline} checks set the limits: spread them over days, with the unit clamped and "
            "connected anew each time. Make one with "
            f"`halfturn golden check {serial}`."
        )
    )
    return exits.PASS


def _meant(store: Store, options: argparse.Namespace) -> GoldenKept:
    return store.golden.find(options.serial.strip(), options.plan, options.station)


def _list(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    found = [
        state for golden in store.golden.in_use() for state in _states(store, golden, settings)
    ]
    if options.json:
        say(json.dumps([golden_object(state) for state in found], indent=2))
    elif not found:
        say("No golden units. Declare one with `halfturn golden declare`.")
    else:
        say("\n".join(wrapped(line) for state in found for line in state_lines(state)))
    return exits.PASS


def _show(store: Store, options: argparse.Namespace, settings: RigSettings) -> int:
    golden = _meant(store, options)
    found = _states(store, golden, settings, options.baseline)
    if options.json:
        # One object: of the real bench if there are checks on both.
        say(json.dumps(golden_object(found[0]), indent=2))
    else:
        say("\n".join(wrapped(line) for state in found for line in _lines(state)))
    return exits.PASS


def _states(
    store: Store, golden: GoldenKept, settings: RigSettings, number: int | None = None
) -> list[GoldenState]:
    """Return how the rig stands in each world that the golden unit was checked in."""
    worlds = store.golden.worlds(golden.golden_id) or (False,)
    return [_state(store, golden, settings, number, simulated=world) for world in worlds]


def _state(
    store: Store,
    golden: GoldenKept,
    settings: RigSettings,
    number: int | None = None,
    *,
    simulated: bool,
) -> GoldenState:
    if number is None:
        every_days = settings.golden.every_days
        return newest_state(
            store.golden, golden, today(), simulated=simulated, every_days=every_days
        )
    runs = store.golden.checks(golden.golden_id, number, simulated=simulated, today=today())
    return state_of(golden, runs, today(), baseline=golden.baselines[number - 1])


def _lines(state: GoldenState) -> Iterator[str]:
    yield from state_lines(state)
    for charted in state.charts:
        yield ""
        yield from chart_lines(charted)


def _baseline(store: Store, options: argparse.Namespace) -> int:
    reason = options.reason.strip()
    need_printable("--reason", reason, 200)
    need_printable("--operator", options.operator.strip(), NAME_LONGEST)
    if not reason:
        raise CommandError(exits.USAGE, "--reason is empty: say what was done to the rig.")
    golden = _meant(store, options)
    store.golden.new_baseline(golden.golden_id, datetime.now(UTC), reason, options.operator.strip())
    say(
        wrapped(
            f"{golden.serial}: a new baseline begins. The next {golden.baseline} checks set the "
            "limits; the earlier ones are kept with theirs."
        )
    )
    return exits.PASS


def _check(options: argparse.Namespace, settings: RigSettings) -> int:
    records = records_path(options, settings)
    with Store.open(records, create=False) as store:
        golden = _meant(store, options)
        before = _state(store, golden, settings, simulated=True).made
    given = argparse.Namespace(
        **{
            **vars(options),
            "unit": golden.serial,
            "source": "not_told",
            "reference": "golden check",
            "station": golden.station,
        }
    )
    order = order_of(given, plan=plan_of(golden.plan_name, settings))
    if order.backend_name == "simulated":
        chance = chance_of_check(golden, before)
        order = replace(order, options=options_for(order.options, golden.serial, chance))
    ended, gathered = carry_out_told(order, records, options)
    with Store.open(records, create=False) as store:
        began = gathered.began
        simulated = order.backend_name == "simulated" if began is None else began.simulated
        state = _state(store, golden, settings, simulated=simulated)
    if not options.json:
        say(wrapped(state.text))
    status = status_of(ended)
    # The unit is known to be good: whatever the verdict says, it says of the rig.
    if state.standing is GoldenStanding.OUT and status in (exits.PASS, exits.RETEST):
        return exits.FAIL
    # A check that does not count has found nothing out.
    if state.standing is GoldenStanding.DUE and status == exits.PASS:
        return exits.RETEST
    return status
