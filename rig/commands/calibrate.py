"""`halfturn calibrate`: hold a station against a reference, or show what was found before."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from drivers import BackendOptions
from drivers.backends import keeps_own_time, load_backend
from rig.bench.dates import wall_clock
from rig.bench.errors import BenchError
from rig.bench.events import (
    BenchEvent,
    CalibrationFound,
    CheckItem,
    ItemState,
    Noted,
    RigCheckEnded,
)
from rig.bench.order import CHECK_MAX_A, CalibrationOrder
from rig.bench.process import BenchClient
from rig.bench.signals import flag_signals
from rig.commands import exits
from rig.commands.common import need_printable, records_path, rig_settings, settings_or_starter
from rig.commands.direct import DirectConsole
from rig.commands.exits import CommandError
from rig.commands.follow import follow
from rig.commands.run import pairs
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.labels import NAME_LONGEST, NOTE_LONGEST
from rig.plans import largest_a_of, list_plans
from rig.quality.calibration import Calibration, Line
from rig.quality.calibration_words import calibration_words, state_words
from rig.records.store import Store
from rig.references import (
    AMMETER,
    RESISTOR,
    VOLTMETER,
    ReferenceSettings,
    load_of,
    references_of,
)
from rig.settings import RigSettings
from rig.standing import standing_by_file


def run(options: argparse.Namespace) -> int:
    """Calibrate a station, or list its calibrations; return the exit status."""
    if options.show:
        return _show(options)
    if options.json:
        raise CommandError(exits.USAGE, "--json goes with --show.")
    order = order_of(options)
    telling = Telling(quiet=options.quiet)
    ended = _carry_out(order, records_path(options, order.settings), telling)
    say(ended.text)
    if not ended.feeds_off:
        tell("halfturn: A FEED DOES NOT READ BACK OFF: pull the supply now.")
        return exits.BENCH
    return {True: exits.PASS, None: exits.STOPPED, False: exits.BENCH}[ended.good]


def order_of(options: argparse.Namespace) -> CalibrationOrder:
    """Return the order a command line gives; raises before anything is fed."""
    settings = rig_settings(options, backend=options.backend)
    station = settings.station(options.station)
    for name, text, longest in (
        ("--operator", options.operator, NAME_LONGEST),
        ("--note", options.note, NOTE_LONGEST),
    ):
        need_printable(name, text.strip(), longest)
    simulated = (options.backend or settings.backend) == "simulated"
    there = references_of(settings.references, simulated=simulated)
    current = _named(there, options.current, (RESISTOR, AMMETER), "--current")
    voltmeter = _named(there, options.voltage, (VOLTMETER,), "--voltage", needed=False)
    if current.kind == RESISTOR and voltmeter is None:
        raise CommandError(
            exits.USAGE,
            f'the resistor "{current.name}" tells a current only with a voltmeter across it: '
            'name one in the rig file ([[reference]], kind = "voltmeter").',
        )
    load = load_of(current, options.load_ohm, options.load_watt)
    if load is None:
        raise CommandError(
            exits.USAGE,
            f'which load does "{current.name}" stand in series with? Give its resistance and its '
            "rating with --load-ohm and --load-watt.",
        )
    return CalibrationOrder(
        settings=settings,
        station=station,
        backend=options.backend,
        options=BackendOptions(
            seed=options.seed,
            faults=tuple(options.fault),
            real_time=options.real_time,
            extra=pairs(options.set),
        ),
        current_reference=current.reference(),
        voltmeter=None if voltmeter is None else voltmeter.reference(),
        full=True,
        max_a=largest_a_of(list_plans((settings.plans,)).values(), CHECK_MAX_A),
        load_ohm=load[0],
        load_w=load[1],
        operator=options.operator.strip(),
        note=options.note.strip(),
        consent=options.accept_cautions,
        ask_operator=options.ask,
    )


def _named(
    there: Sequence[ReferenceSettings],
    name: str | None,
    kinds: tuple[str, ...],
    option: str,
    *,
    needed: bool = True,
) -> Any:
    """Return the reference called ``name``, or the first of ``kinds``; None if none is needed."""
    fits = [one for one in there if one.kind in kinds and name in (None, one.name)]
    if fits:
        return fits[0]
    what = " or ".join(kinds)
    if name is not None:
        names = ", ".join(one.name for one in there if one.kind in kinds) or "none"
        raise CommandError(
            exits.USAGE,
            f'{option}: there is no {what} "{name}" in the rig file. There is: {names}.',
        )
    if not needed:
        return None
    raise CommandError(
        exits.USAGE,
        f"the rig file names no {what} to hold the station against. Add one ([[reference]] in "
        "rig.toml; README, Calibrating the rig).",
    )


# --- doing it ---------------------------------------------------------------------------------


class Telling:
    """Tells on standard error how a calibration goes on."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self.ended: RigCheckEnded | None = None

    def show(self, event: BenchEvent) -> None:
        """Print one event."""
        if isinstance(event, RigCheckEnded):
            self.ended = event
        if self._quiet:
            return
        match event:
            case CheckItem(state=ItemState.GOOD | ItemState.WRONG):
                tell(wrapped(f"{event.title}: {event.text}"))
            case CheckItem(state=ItemState.GOING) if "cools" in event.text:
                tell(wrapped(event.text))
            case Noted():
                tell(wrapped(event.text))
            case CalibrationFound():
                for line in (*event.words, *event.cautions):
                    tell(line)
            case _:
                pass


def _carry_out(order: CalibrationOrder, records: Path, telling: Telling) -> RigCheckEnded:
    if keeps_own_time(order.backend_name, order.options):
        _direct(order, records, telling)
    else:
        with flag_signals() as flag, BenchClient(order, records) as bench:
            follow(bench, flag, telling.show)
    if telling.ended is None:
        raise BenchError("The calibration ended without a word; nothing was stored.")
    return telling.ended


def _direct(order: CalibrationOrder, records: Path, telling: Telling) -> None:
    from rig.bench.jobs import carry_out
    from rig.bench.keeper import DirectKeeper

    with flag_signals() as flag, Store.open(records) as store:
        backend = load_backend(order.backend_name, order.wiring(), order.options)
        try:
            carry_out(order, backend, DirectKeeper(store), DirectConsole(telling.show, flag))
        finally:
            backend.close()


# --- showing what was found -------------------------------------------------------------------


def _show(options: argparse.Namespace) -> int:
    settings = settings_or_starter(options)
    path = records_path(options, settings)
    made: tuple[Calibration, ...] = ()
    if path.exists():
        with Store.open(path, create=False) as store:
            made = store.calibrations(rig=settings.name, station=options.station)
    if options.json:
        say(json.dumps([_object(one) for one in made], indent=2))
    elif not made:
        say(f"{settings.name}: never calibrated. `halfturn calibrate` does it.")
    else:
        newest: set[tuple[str, bool]] = set()
        for one in made:
            key = (one.setup.station, one.setup.simulated)
            lines = calibration_words(one)
            if key not in newest:
                lines[0] += f": {_state(settings, made, one)}"
            newest.add(key)
            say("\n".join(lines))
    return exits.PASS


def _state(settings: RigSettings, made: Sequence[Calibration], newest: Calibration) -> str:
    """Return how the station of ``newest`` stands today by the rig file, in few words."""
    station = next((s for s in settings.stations if s.name == newest.setup.station), None)
    if station is None:
        return "the rig file has no such station"
    simulated = newest.setup.simulated
    alike = [one for one in made if one.setup.simulated == simulated]
    of_file = settings.backend if (settings.backend == "simulated") == simulated else None
    today = wall_clock().astimezone().date()
    stands = standing_by_file(settings, station, alike, today, of_file or newest.setup.backend)
    return state_words(stands)


def _object(made: Calibration) -> dict[str, Any]:
    setup = made.setup
    return {
        "calibration": str(made.calibration_id),
        "made_at": made.made_at.isoformat(),
        "due": made.due.isoformat(),
        "rig": setup.rig,
        "station": setup.station,
        "backend": setup.backend,
        "simulated": setup.simulated,
        "shunt_ohm": setup.shunt_ohm,
        "operator": made.operator,
        "note": made.note,
        "against": [
            {
                "kind": str(reference.kind),
                "serial": reference.serial,
                "certificate": reference.certificate,
                "due": reference.due.isoformat() if reference.due else None,
                "value_ohm": reference.value_ohm,
                "u_rel": reference.expanded_u_rel,
                "u": reference.expanded_u,
                "k": reference.k,
                "ppm_per_k": reference.ppm_per_k,
                "warms_k_per_w": reference.warms_k_per_w,
            }
            for reference in made.references
        ],
        "current": _line_object(made.current),
        "voltage": None if made.voltage is None else _line_object(made.voltage),
    }


def _line_object(line: Line) -> dict[str, Any]:
    found = line.correction
    return {
        "gain": found.gain,
        "gain_u": found.gain_u,
        "offset": found.offset,
        "offset_u": found.offset_u,
        "covariance": found.covariance,
        "points": [
            {
                "reference": point.reference,
                "reading": point.reading,
                "scatter": point.scatter,
                "count": point.count,
                "set_v": point.set_v,
                "as_found": line.found(point),
                "as_left": line.left(point),
                "u": 2 * found.u(point.reading),
            }
            for point in line.points
        ],
    }
