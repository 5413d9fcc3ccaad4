"""`halfturn gauge`: set a gauge study up, make its runs one by one, see what it came to."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from shlex import quote

from rig.bench.events import RunEnded
from rig.commands import exits
from rig.commands.common import (
    need_printable,
    open_records,
    plan_of,
    records_path,
    rig_settings,
)
from rig.commands.exits import CommandError
from rig.commands.progress import about
from rig.commands.run import carry_out_told, order_of, status_of
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.feasible import check_plan_on_rig
from rig.labels import NAME_LONGEST
from rig.plans import plan_from_text
from rig.quality.gauge_study import POOL_ABOVE_P
from rig.records.model import RunState
from rig.records.store import Store
from rig.records.study_model import StudyKept, TrialKept
from rig.run_values import BY_NAME
from rig.schema import MistakesError
from rig.studies.as_json import results_object, study_object
from rig.studies.gauge import GaugeResults, results_of
from rig.studies.gauge_words import (
    measure_lines,
    order_lines,
    progress_words,
    results_lines,
    trial_words,
)
from rig.studies.order import DesignError
from rig.studies.setting_up import expected_run_s, study_start
from rig.studies.simulated import chance_of_trial, options_for


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with gauge studies."""
    match options.action:
        case "new":
            return _new(options)
        case "next":
            return _next(options)
    with open_records(records_path(options)) as store:
        match options.action:
            case "list":
                return _list(store, options)
            case "show":
                return _show(store, options)
            case _:
                return _repeat(store, options)


def _new(options: argparse.Namespace) -> int:
    settings = rig_settings(options)
    station = settings.station(options.station)
    plan = plan_of(options.plan, settings)
    mistakes = check_plan_on_rig(plan, settings, station)
    if mistakes:
        raise MistakesError(mistakes)
    try:
        start = study_start(
            options.name,
            plan,
            station.name,
            options.part,
            options.operator,
            options.trials,
            options.note,
            options.seed,
        )
    except DesignError as error:
        raise CommandError(exits.USAGE, str(error)) from error
    name = start.name
    with Store.open(records_path(options, settings)) as store:
        store.gauge.begin(start)
        study = store.gauge.study(name)
    units, operators = len(options.part), len(options.operator)
    say(f"{name}: {units} units x {operators} operators x {options.trials} trials")
    run_s, count = expected_run_s(plan), len(start.trials)
    say(f"  about {about(run_s)} a run, {about(count * run_s)} of tests for all {count}")
    say(f"  {progress_words(study)}")
    say(f"  make it with `halfturn gauge next {quote(name)}`")
    return exits.PASS


def _list(store: Store, options: argparse.Namespace) -> int:
    studies = store.gauge.all()
    if options.json:
        say(json.dumps([study_object(study) for study in studies], indent=2))
    elif not studies:
        say("No gauge studies. Set one up with `halfturn gauge new`.")
    else:
        for study in studies:
            day = f"{study.began_at.astimezone():%Y-%m-%d}"
            say(wrapped(f"{study.name}  {day}  {study.plan_name}: {progress_words(study)}"))
    return exits.PASS


def _show(store: Store, options: argparse.Namespace) -> int:
    pool = POOL_ABOVE_P if options.pool_above is None else options.pool_above
    if not 0.0 <= pool <= 1.0:
        raise CommandError(exits.USAGE, "--pool-above must be from 0 to 1.")
    if options.measure is not None and options.measure not in BY_NAME:
        names = ", ".join(BY_NAME)
        raise CommandError(exits.USAGE, f"there is no measure '{options.measure}': {names}.")
    results = results_of(*store.gauge.measured(options.name), pool_above_p=pool)
    if options.json:
        say(json.dumps(results_object(results), indent=2))
    else:
        say("\n".join(wrapped(line) for line in _lines(results, options)))
    return exits.PASS


def _lines(results: GaugeResults, options: argparse.Namespace) -> Iterator[str]:
    study = results.study
    yield f"gauge study {study.name}, plan {study.plan_name}, station {study.station}"
    if study.note:
        yield f"  {study.note}"
    yield f"  {progress_words(study)}"
    if options.order:
        yield from order_lines(study)
    elif options.measure is None:
        yield from results_lines(results)
    else:
        found = [m for m in results.measures if m.measure.name == options.measure]
        for studied in found:
            yield ""
            yield from measure_lines(studied, table=True)
        if not found:
            yield f"  No run of it has measured the {BY_NAME[options.measure].label.lower()}."


def _repeat(store: Store, options: argparse.Namespace) -> int:
    reason = options.reason.strip()
    need_printable("--reason", reason, 200)
    if not reason:
        raise CommandError(exits.USAGE, "--reason is empty: say why the run does not count.")
    trial = store.gauge.set_aside(options.name, options.trial, reason)
    say(f"set aside: {trial_words(trial)}. Its run stays in the records.")
    say(f"repeat it with `halfturn gauge next {quote(options.name)}`")
    return exits.PASS


def _next(options: argparse.Namespace) -> int:
    settings = rig_settings(options, backend=options.backend)
    records = records_path(options, settings)
    while True:
        with open_records(records) as store:
            study = store.gauge.study(options.name)
        trial = study.next_trial
        if trial is None:
            see = f"`halfturn gauge show {quote(study.name)}`"
            say(f"{study.name}: {progress_words(study)}. See {see}.")
            return exits.PASS
        ended, status = _make(study, trial, options, records)
        if not options.all or ended.state is not RunState.FINISHED:
            return status


def _make(
    study: StudyKept, trial: TrialKept, options: argparse.Namespace, records: Path
) -> tuple[RunEnded, int]:
    """Make one trial's run."""
    asked = options.operator.strip()
    if asked and asked != trial.operator:
        raise CommandError(
            exits.USAGE,
            f"the next is {trial_words(trial)}, not {asked}'s. Nothing was fed.",
        )
    if not options.quiet:
        tell(wrapped(f"{study.name}: {trial_words(trial, len(study.trials))}"))
    given = argparse.Namespace(
        **{
            **vars(options),
            "unit": trial.part,
            "operator": trial.operator,
            "source": "not_told",
            "reference": study.name[:NAME_LONGEST],
            "station": study.station,
        }
    )
    plan = plan_from_text(study.plan_text, Path(f"{study.plan_name}.toml"))
    order = order_of(given, plan=plan)
    if order.backend_name == "simulated":
        chance = chance_of_trial(study, trial)
        order = replace(order, options=options_for(order.options, trial.part, chance))
    order = replace(order, gauge_trial=trial.trial_id)
    ended, _ = carry_out_told(order, records, options)
    return ended, status_of(ended)
