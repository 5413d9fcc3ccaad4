"""`halfturn lot`: open a lot, test its sample item by item, close it, see what it is worth."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote

from drivers.backends import is_simulated
from rig.bench.events import RunEnded
from rig.commands import exits
from rig.commands.common import (
    need_printable,
    open_records,
    picture_path,
    plan_of,
    records_path,
    rig_settings,
)
from rig.commands.exits import CommandError
from rig.commands.run import carry_out_told, order_of, status_of
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.feasible import check_plan_on_rig
from rig.labels import NAME_LONGEST, NOTE_LONGEST, shown
from rig.lots.as_json import curve_object, history_object, lot_object
from rig.lots.history import histories
from rig.lots.opening import LotAsked, lot_start, replacement, spelt_like
from rig.lots.words import (
    END_WORDS,
    SOURCE,
    event_words,
    finding_words,
    history_lines,
    item_lines,
    item_words,
    lots_table,
    offered_words,
    percent,
    plan_parts,
    plan_words,
    progress_words,
    seed_words,
    withdrawn_words,
    worth_lines,
)
from rig.lots.worth import worth_of
from rig.plans import plan_from_text
from rig.quality.lots import accept_probability, lot_accept_probability, oc_curve
from rig.quality.sampling_tables import SamplingError
from rig.records.errors import RecordsError
from rig.records.lot_model import ItemResult, LotEnd, LotItem, LotKept, LotResult
from rig.records.lot_records import as_named, is_closed, known_from, why_not
from rig.records.model import RunState
from rig.records.store import Store
from rig.schema import MistakesError
from rig.studies.order import DesignError
from rig.studies.simulated import chance_of_item, options_for, serial_of_item

_ROWS = 12  # of the table of a curve, about


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with lots."""
    for about, called in (("name", "the lot's name"), ("supplier", "the supplier")):
        need_printable(called, getattr(options, about, None) or "", NAME_LONGEST)
    match options.action:
        case "open":
            return _open(options)
        case "run":
            return _run(options)
    actions = {
        "list": _list,
        "show": _show,
        "next": _next,
        "set-aside": _set_aside,
        "cannot-test": _cannot_test,
        "can-test": _can_test,
        "close": _close,
        "withdraw": _withdraw,
        "history": _history,
        "curve": _curve,
    }
    with open_records(records_path(options)) as store:
        return actions[options.action](store, options)


def _open(options: argparse.Namespace) -> int:
    settings = rig_settings(options, backend=options.backend)
    station = settings.station(options.station)
    plan = plan_of(options.plan, settings)
    mistakes = check_plan_on_rig(plan, settings, station)
    if mistakes:
        raise MistakesError(mistakes)
    asked = LotAsked(
        options.name,
        options.supplier,
        options.size,
        options.aql,
        options.level,
        options.order,
        options.operator,
        is_simulated(options.backend or settings.backend),
        options.steady,
        options.agreed_by,
        options.irregular,
        options.acted,
        options.again,
        options.note,
        options.seed,
    )
    with Store.open(records_path(options, settings)) as store:
        near = spelt_like(asked.supplier, store.lots.suppliers())
        if near and not options.new_supplier:
            raise CommandError(
                exits.USAGE,
                f"there are lots of {shown(near)} here, spelt nearly like "
                f"{shown(asked.supplier.strip())}, whose history would not count. Give the name as "
                "it is there, or --new-supplier if this is another one. The lot was not opened.",
            )
        try:
            start = lot_start(asked, plan, store.lots.all(supplier=options.supplier.strip()))
        except DesignError as error:
            raise CommandError(exits.USAGE, str(error)) from error
        store.lots.open(start)
        lot = store.lots.lot(start.name)
        lots = store.lots.all(supplier=lot.supplier)
    say("\n".join(wrapped(line) for line in _opened(lot, lots, asked.stripped().supplier)))
    return exits.PASS


def _opened(lot: LotKept, lots: Sequence[LotKept], typed: str) -> Iterator[str]:
    yield f"lot {lot.name}: {offered_words(lot)}{_world(lot)}"
    if lot.supplier != typed:
        yield f"  the supplier is written as in its earlier lots, not as {typed}"
    yield f"  {plan_words(lot)}"
    yield f"  {lot.severity_why}"
    if lot.doubt:
        yield f"  {lot.doubt}"
    numbers = ", ".join(str(item.number) for item in lot.sample)
    yield from _withdrawn(lot, lots)
    yield f"  take from the crate, counted from 1: {numbers} (drawn {seed_words(lot)})"
    yield f"  test them one by one with `halfturn lot run {quote(lot.name)}`"


def _withdrawn(lot: LotKept, lots: Sequence[LotKept]) -> Iterator[str]:
    earlier = withdrawn_words(lot, lots)
    if earlier:
        yield f"  withdrawn before it, its sample drawn: {earlier}"


def _world(lot: LotKept) -> str:
    return " (SIMULATED)" if lot.simulated else ""


def _list(store: Store, options: argparse.Namespace) -> int:
    lots = store.lots.all(supplier=options.supplier)
    if options.json:
        say(json.dumps([lot_object(lot) for lot in lots], indent=2))
    elif not lots:
        of = "" if options.supplier is None else f" of {shown(options.supplier)}"
        say(f"No lots{of}. Open one with `halfturn lot open`.")
    else:
        say(lots_table(lots).rstrip())
    return exits.PASS


def _show(store: Store, options: argparse.Namespace) -> int:
    lot = store.lots.lot(options.name)
    lots = store.lots.all(supplier=lot.supplier)
    try:
        worth = worth_of(lot, options.bad)
    except SamplingError as error:
        raise CommandError(exits.USAGE, str(error)) from error
    if options.json:
        say(json.dumps(lot_object(lot, worth), indent=2))
        return exits.PASS

    def lines() -> Iterator[str]:
        yield f"lot {lot.name}: {offered_words(lot)}{_world(lot)}"
        yield f"  {plan_words(lot)}"
        yield f"  {lot.severity_why}"
        if lot.doubt:
            yield f"  {lot.doubt}"
        yield f"  plan {lot.plan_name}, drawn {seed_words(lot)}"
        yield from _withdrawn(lot, lots)
        yield f"  {progress_words(lot)}"
        yield f"  {finding_words(lot)}"
        yield ""
        yield from (f"  {line}" for line in worth_lines(lot, worth))
        yield ""
        yield from (f"  {line}" for line in item_lines(lot))
        yield ""
        yield from (f"  {event_words(event)}" for event in lot.events)
        yield f"  {SOURCE}."

    say("\n".join(wrapped(line) for line in lines()))
    return exits.PASS


def _next(store: Store, options: argparse.Namespace) -> int:
    lot = store.lots.lot(options.name)
    following = lot.next_item if lot.is_open else None
    if following is None:
        say(wrapped(f"{lot.name}: {progress_words(lot)}. {finding_words(lot)}"))
    else:
        say(wrapped(f"{lot.name}: {_turn(lot, following)}"))
    return exits.PASS


def _turn(lot: LotKept, item: LotItem) -> str:
    """Return which item it is the turn of."""
    return (
        f"item {item.number} of the crate, {lot.judged + 1} of {len(lot.sample)}; "
        f"{len(lot.nonconforming)} nonconforming by now (Ac {lot.ac})"
    )


# --- runs -----------------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    settings = rig_settings(options, backend=options.backend)
    records = records_path(options, settings)
    simulated = is_simulated(options.backend or settings.backend)
    if options.all and (options.serial or options.item is not None or not simulated):
        raise CommandError(
            exits.USAGE,
            "--all is for the simulated bench, without --serial and --item: a real unit is put on "
            "the jig and named one by one.",
        )
    while True:
        with open_records(records) as store:
            lot = store.lots.lot(options.name)
        _need_at_work(lot, simulated=simulated)
        item = _item(lot, options)
        if item is None:
            if options.json:
                say(json.dumps(lot_object(lot), indent=2))
            else:
                nothing = "Nothing was tested: no item is left."
                said = f"{lot.name}: {nothing} {progress_words(lot)}. {finding_words(lot)}"
                say(wrapped(said))
            return exits.PASS
        ended, status = _test(lot, item, options, records, simulated=simulated)
        if not options.all or ended.state is not RunState.FINISHED:
            return status


def _need_at_work(lot: LotKept, *, simulated: bool) -> None:
    """Raise CommandError unless the lot is open, and of this world."""
    if not lot.is_open:
        raise CommandError(exits.USAGE, f"{is_closed(lot)} Nothing was fed.")
    if simulated != lot.simulated:
        world = "on the simulated bench" if lot.simulated else "on a real bench"
        raise CommandError(
            exits.USAGE, f"the lot {shown(lot.name)} is tested {world}. Nothing was fed."
        )


def _item(lot: LotKept, options: argparse.Namespace) -> LotItem | None:
    """Return the item whose turn it is, None if nothing is left."""
    if options.item is None:
        return lot.next_item
    for item in lot.items:
        if item.number == options.item:
            return item
    numbers = ", ".join(str(item.number) for item in lot.left[:20])
    raise CommandError(
        exits.USAGE,
        f"item {options.item} is not in the sample of {shown(lot.name)}. Left are: {numbers}.",
    )


def _test(
    lot: LotKept, item: LotItem, options: argparse.Namespace, records: Path, *, simulated: bool
) -> tuple[RunEnded, int]:
    """Test one item."""
    serial = options.serial.strip() if options.serial else ""
    if not serial and simulated:
        serial = serial_of_item(lot, item)
    if not serial:
        raise CommandError(
            exits.USAGE,
            f"take {_turn(lot, item)}. Which unit is it? Give its serial number with --serial.",
        )
    serial = as_named(item, serial)
    objection = why_not(lot, item, serial)
    if objection:
        raise CommandError(exits.USAGE, f"{objection} Nothing was fed.")
    _need_new_here(lot, item, serial, options, records)
    if not options.quiet:
        tell(wrapped(f"{lot.name}: {_turn(lot, item)}"))
    given = argparse.Namespace(
        **{
            **vars(options),
            "unit": serial,
            "source": "delivery_lot",
            "reference": lot.name,
        }
    )
    plan = plan_from_text(lot.plan_text, Path(f"{lot.plan_name}.toml"))
    order = replace(order_of(given, plan=plan), lot_item=item.item_id)
    if order.backend_name == "simulated":
        order = replace(
            order, options=options_for(order.options, serial, chance_of_item(lot, item))
        )
    ended, _ = carry_out_told(order, records, options)
    if not options.json:
        with open_records(records) as store:
            now = store.lots.lot(lot.name)
        say("\n".join(wrapped(line) for line in _tested(now, item.number)))
    return ended, status_of(ended)


def _need_new_here(
    lot: LotKept, item: LotItem, serial: str, options: argparse.Namespace, records: Path
) -> None:
    """Note why a unit of another lot is tested here; CommandError if nobody said so."""
    with open_records(records) as store:
        said = known_from(lot, item, serial, store.lots.with_unit(lot, serial))
        if not said:
            return
        why = options.seen_before.strip()
        need_printable("--seen-before", why, NOTE_LONGEST)
        if not why:
            raise CommandError(
                exits.USAGE,
                f"{said}. Read its label again; if it is that unit, say why it is here with "
                "--seen-before. Nothing was fed.",
            )
        store.lots.seen_before(lot.name, item.number, serial, why, _who(options), _now())


def _tested(lot: LotKept, number: int) -> Iterator[str]:
    """Yield what a run has made of an item and its lot."""
    item = next(one for one in lot.items if one.number == number)
    again = "" if item.result is not ItemResult.LEFT else " still: the run decides nothing"
    yield f"item {number} of {lot.name}: {item_words(item, ended=not lot.is_open)}{again}"
    yield f"  {progress_words(lot)}"
    if lot.result is not LotResult.OPEN:
        yield f"  {finding_words(lot)}"


# --- by hand --------------------------------------------------------------------------------------


def _set_aside(store: Store, options: argparse.Namespace) -> int:
    reason, who = _reason(options), _who(options)
    lot = store.lots.set_aside(options.name, options.item, reason, who, _now())
    say(
        wrapped(
            f"set aside: the runs of item {options.item}. They stay in the records and on the "
            f"lot's report. {lot.name}: {progress_words(lot)}"
        )
    )
    return exits.PASS


def _cannot_test(store: Store, options: argparse.Namespace) -> int:
    reason, who = _reason(options), _who(options)
    try:
        drawn = replacement(store.lots.lot(options.name)) if options.replace else None
    except DesignError as error:
        raise CommandError(exits.USAGE, str(error)) from error
    lot = store.lots.not_testable(
        options.name, options.item, reason, who, _now(), replaced_by=drawn
    )
    if drawn is None:
        say(f"item {options.item} counts as nonconforming")
    else:
        say(f"item {options.item} is replaced by item {drawn} of the crate, drawn at random")
    say(wrapped(f"{lot.name}: {progress_words(lot)}"))
    return exits.PASS


def _can_test(store: Store, options: argparse.Namespace) -> int:
    reason, who = _reason(options), _who(options)
    lot = store.lots.testable(options.name, options.item, reason, who, _now())
    say(wrapped(f"item {options.item} is to be tested. {lot.name}: {progress_words(lot)}"))
    return exits.PASS


def _close(store: Store, options: argparse.Namespace) -> int:
    note = options.note.strip()
    need_printable("--note", note, NOTE_LONGEST)
    lot = store.lots.close(options.name, _who(options), _now(), note)
    if options.json:
        say(json.dumps(lot_object(lot), indent=2))
    else:
        end = "" if lot.end is None else END_WORDS[lot.end].upper()
        say(f"lot {lot.name}: {end}{_world(lot)}")
        say(wrapped(f"  {finding_words(lot)}"))
        say(f"  its report: `halfturn sheet lot --lot {quote(lot.name)}`")
    return exits.PASS if lot.end is LotEnd.ACCEPTED else exits.FAIL


def _withdraw(store: Store, options: argparse.Namespace) -> int:
    lot = store.lots.withdraw(options.name, _who(options), _now(), _reason(options))
    say(f"lot {lot.name}: withdrawn. It stays in the records and counts for nothing.")
    return exits.PASS


def _reason(options: argparse.Namespace) -> str:
    return _needed("--reason", options.reason, NOTE_LONGEST, "it stands on the lot's report")


def _who(options: argparse.Namespace) -> str:
    return _needed("--operator", options.operator, NAME_LONGEST, "say who decides so")


def _needed(option: str, text: str, longest: int, why: str) -> str:
    said = text.strip()
    need_printable(option, said, longest)
    if not said:
        raise CommandError(exits.USAGE, f"{option} is empty: {why}.")
    return said


def _now() -> datetime:
    return datetime.now(UTC)


# --- what it is worth -----------------------------------------------------------------------------


def _history(store: Store, options: argparse.Namespace) -> int:
    found = histories(store.lots.all(supplier=options.supplier))
    if not found:
        there = ", ".join(shown(name) for name in store.lots.suppliers()) or "none yet"
        raise RecordsError(f"There is no lot of {shown(options.supplier)} here; lots of: {there}.")
    if options.json:
        say(json.dumps([history_object(one) for one in found], indent=2))
    else:
        say("\n".join(wrapped(line) for one in found for line in history_lines(one)))
    return exits.PASS


def _curve(store: Store, options: argparse.Namespace) -> int:
    picture = picture_path(options.picture)
    lot = store.lots.lot(options.name)
    if picture is not None:
        from rig.lots.curve import save_curve

        severity, sample = plan_parts(lot)
        save_curve(picture, lot, worth_of(lot), f"{shown(lot.name)}: {severity}\n{sample}")
    if options.json:
        say(json.dumps(curve_object(oc_curve(lot.n, lot.ac, lot.size)), indent=2))
    elif picture is None:
        say("\n".join(_table(lot)))
    else:
        say(f"picture: {picture}")
    return exits.PASS


def _table(lot: LotKept) -> Iterator[str]:
    """Yield how likely which quality is accepted, some qualities of a process and of this lot."""
    yield "  % nonconforming  a process  units of this lot  the lot"
    for units in _counts(lot):
        share = units / lot.size
        process = percent(accept_probability(lot.n, lot.ac, share))
        this = percent(lot_accept_probability(lot.n, lot.ac, units, lot.size))
        yield f"  {100 * share:>15.3g}  {process:>9}  {units:>17}  {this:>7}".rstrip()


def _counts(lot: LotKept) -> list[int]:
    """Return how many units of the lot a row of the table is about."""
    curve = oc_curve(lot.n, lot.ac, lot.size, _ROWS)
    return [round(point.percent * lot.size / 100.0) for point in curve.lot]
