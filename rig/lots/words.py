"""Lots as text, for command, console and sheet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rig.labels import number_of, shown
from rig.lots.history import SupplierHistory, counted, withdrawn_before
from rig.lots.worth import LotWorth
from rig.quality.lots import ProcessAverage
from rig.quality.switching import Inspection
from rig.records.lot_model import (
    ItemResult,
    LotEnd,
    LotEvent,
    LotEventKind,
    LotItem,
    LotKept,
    LotResult,
    LotRun,
)
from rig.records.model import RunState
from rig.records.text_table import table_text

END_WORDS = {
    LotEnd.ACCEPTED: "accepted",
    LotEnd.NOT_ACCEPTED: "not accepted",
    LotEnd.WITHDRAWN: "withdrawn",
}
RESULT_WORDS = {
    ItemResult.LEFT: "to be tested",
    ItemResult.CONFORMING: "conforming",
    ItemResult.NONCONFORMING: "nonconforming",
    ItemResult.REPLACED: "replaced",
}
NOT_TESTED = "not tested"
EVENT_WORDS = {
    LotEventKind.OPENED: "opened",
    LotEventKind.SET_ASIDE: "runs set aside",
    LotEventKind.UNTESTABLE: "cannot be tested",
    LotEventKind.TESTABLE: "can be tested after all",
    LotEventKind.SEED_GIVEN: "sample drawn with a seed given by hand",
    LotEventKind.SEEN_BEFORE: "tested all the same",
    LotEventKind.CLOSED: "closed",
    LotEventKind.WITHDRAWN: "withdrawn",
}
SOURCE = (
    "Single sampling by attributes, ISO 2859-1:1999 (tables as printed in copies of it; the "
    "standard's own text was not at hand)"
)


def offered_words(lot: LotKept) -> str:
    """Return what was delivered by whom."""
    order = f", order {lot.order_number}" if lot.order_number else ""
    return f"{lot.size} units {lot.unit_type} from {lot.supplier}{order}"


def plan_words(lot: LotKept) -> str:
    """Return by which plan the lot is judged: level, AQL, letter, sample, Ac and Re."""
    return ": ".join(plan_parts(lot))


def plan_parts(lot: LotKept) -> tuple[str, str]:
    """Return how severely a lot is inspected, and by which sample."""
    share = f"all {lot.n} units" if lot.n == lot.size else f"{lot.n} of {lot.size} units"
    return (
        f"level {lot.level}, AQL {lot.aql:g} %, {lot.severity} inspection",
        f"letter {lot.letter}, {share}, of which {lot.ac or 'none'} may be nonconforming "
        f"(Ac {lot.ac}, Re {lot.re})",
    )


def lots_table(lots: Iterable[LotKept]) -> str:
    """Return a table of lots, one a line."""
    rows = [["lot", "opened", "supplier", "units", "tested", "bad", "came to", "bench"]]
    rows += [
        [
            shown(lot.name),
            f"{lot.opened_at.astimezone():%Y-%m-%d}",
            shown(lot.supplier),
            str(lot.size),
            f"{lot.judged} of {len(lot.sample)}",
            f"{len(lot.nonconforming)} (Ac {lot.ac})",
            verdict_word(lot),
            "SIMULATED" if lot.simulated else "",
        ]
        for lot in lots
    ]
    if not any(row[-1] for row in rows[1:]):
        rows = [row[:-1] for row in rows]
    return table_text(rows, shrinkable=(0, 2))


def progress_words(lot: LotKept) -> str:
    """Return how far a lot is, in a sentence without its full stop."""
    bad = len(lot.nonconforming)
    count = f"{lot.judged} of {len(lot.sample)} items judged, {bad} nonconforming"
    if lot.end is not None:
        return f"{END_WORDS[lot.end]}; {count}"
    following = lot.next_item
    ahead = ", ready to be closed" if not lot.left else ""
    if following is not None:
        ahead = f"; next: item {following.number} of the crate"
    elif lot.left:
        ahead = "; the rest is on the jig"
    return f"{count}{ahead}"


def verdict_word(lot: LotKept) -> str:
    """Return the one word (or two) that the lot gets."""
    if lot.end is not None:
        return END_WORDS[lot.end]
    return {
        LotResult.OPEN: "open",
        LotResult.ACCEPTABLE: "acceptable",
        LotResult.NOT_ACCEPTABLE: "not acceptable",
    }[lot.result]


def finding_words(lot: LotKept) -> str:
    """Return what the sample says of the lot by now, what to mind of the rig, and what to do."""
    return " ".join(filter(None, (_finding(lot), caution_words(lot))))


def caution_words(lot: LotKept) -> str:
    """Return what must be minded of the rig by which the lot was judged; empty if nothing must."""
    if not lot.cautions:
        return ""
    decide = sum(item.run is not None for item in lot.sample)
    what = "; ".join(f"{count} of {decide}: {said}" for said, count in lot.cautions.items())
    return f"Mind the rig by the runs that decide ({what})."


def _finding(lot: LotKept) -> str:
    bad, left = len(lot.nonconforming), len(lot.left)
    found = f"{bad or 'No'} nonconforming item{'' if bad == 1 else 's'}"
    too_many = "is too many" if lot.re == 1 else "are too many"
    if lot.end is LotEnd.WITHDRAWN:
        runs = len(lot.decided_runs)
        judged = f"with {number_of(runs, 'run')} that came to pass or fail"
        when = judged if runs else "before anything of it was judged"
        return f"The lot was withdrawn {when}: {lot.closing_note}"
    match lot.result:
        case LotResult.NOT_ACCEPTABLE if left:
            return (
                f"{found} in {'what was tested' if lot.end else 'the sample by now'}, and {lot.re} "
                f"{too_many}: the lot "
                f"{'was not accepted' if lot.end else 'cannot be accepted any more'}. "
                + (
                    f"{number_of(left, 'item')} {'was' if left == 1 else 'were'} left untested."
                    if lot.end
                    else f"Testing the {left} left is recommended all the same: the supplier's "
                    "average is known better with them. Then close the lot."
                )
            )
        case LotResult.NOT_ACCEPTABLE:
            return (
                f"{found} in a sample of {len(lot.sample)}, and {lot.re} {too_many}: the lot is "
                "not accepted."
            )
        case LotResult.ACCEPTABLE:
            return (
                f"{found} in a sample of {len(lot.sample)}, and {lot.ac or 'none'} may be: the lot "
                f"{'is accepted' if lot.end else 'can be accepted; close it'}.{_go_back(lot)}"
            )
    more = lot.re - bad
    return (
        f"{found} by now, and {lot.ac or 'none'} may be. With {more} more the lot is not accepted; "
        f"{left} item{' is' if left == 1 else 's are'} left."
    )


def _go_back(lot: LotKept) -> str:
    """Return which units of a lot that is accepted are not taken all the same, led by a blank.

    So MIL-STD-105E and ISO 2859-1 have it (from memory): the right to reject a nonconforming item
    does not depend on its lot.
    """
    bad = lot.nonconforming
    if not bad:
        return ""
    units = ", ".join(
        f"{item.serial} (item {item.number})" if item.serial else f"item {item.number}"
        for item in bad
    )
    back = f" What does not conform goes back all the same: {units}."
    whole = " Every unit was tested, so each is taken or sent back by what it came to itself."
    return back + (whole if len(lot.sample) == lot.size else "")


def seed_words(lot: LotKept) -> str:
    """Return how the sample of a lot was drawn, to follow "drawn"."""
    by = ", given by hand: whoever opened the lot could choose" if lot.seed_given else ""
    return f"with seed {lot.seed}{by}"


def withdrawn_words(lot: LotKept, lots: Iterable[LotKept]) -> str:
    """Return which earlier lots, maybe of the same delivery, were withdrawn; empty without any."""
    return "; ".join(
        f"{one.name}, {one.size} units{f', order {one.order_number}' if one.order_number else ''}: "
        f"{one.closing_note}"
        for one in withdrawn_before(lot, lots)
    )


def item_words(item: LotItem, *, ended: bool) -> str:
    """Return what an item came to, and why if it does not conform or is no more of the sample.

    ``ended``: its lot is closed or withdrawn, so that what was left will not be tested.
    """
    if item.untestable is not None:
        return f"{RESULT_WORDS[item.result]}: cannot be tested, {item.untestable_why}"
    run = item.run
    if run is None:
        if item.on_jig is not None:
            return "on the jig"
        return NOT_TESTED if ended else RESULT_WORDS[item.result]
    why = f": {run.why}" if item.result is ItemResult.NONCONFORMING and run.why else ""
    return f"{RESULT_WORDS[item.result]}{why}"


def run_words(run: LotRun) -> str:
    """Return what a run of an item was, and why it does not decide if it does not."""
    came = str(run.verdict).upper() if run.verdict is not None else str(run.state)
    line = f"run {str(run.run_id)[:8]} {came}"
    if run.set_aside:
        return f"{line}, set aside: {run.set_aside}"
    if run.state is RunState.RUNNING or run.decides:
        return line
    return f"{line}, decides nothing"


def item_lines(lot: LotKept) -> Iterator[str]:
    """Yield every item of the sample in the order of the crate, with its runs."""
    items = sorted(lot.items, key=lambda item: item.number)
    width = max(len(str(item.number)) for item in items)
    wide = max((len(item.serial) for item in items), default=0) or 1
    for item in items:
        place = f" (for item {item.replaces})" if item.replaces is not None else ""
        line = f"{item.number:>{width}}  {item.serial or '-':<{wide}}  "
        yield f"{line}{item_words(item, ended=lot.end is not None)}{place}"
        for run in item.runs:
            if run is not item.run:
                yield f"{'':>{width}}  {'':<{wide}}  {run_words(run)}"


def worth_lines(lot: LotKept, worth: LotWorth) -> Iterator[str]:
    """Yield what the plan's judgement is worth, as a table: risks and qualities."""
    rows = list(worth_rows(lot, worth))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def worth_rows(lot: LotKept, worth: LotWorth) -> Iterator[tuple[str, str, str]]:
    """Yield a heading, then each risk and quality: its name, of a process, of this lot."""
    yield "", "lots of a process", "this lot"
    for first, risk in enumerate(worth.risks):
        if not first:
            yield (
                f"producer's risk at {risk.good_percent:g} % (AQL)",
                f"{percent(risk.producers)} not accepted",
                f"with {number_of(risk.good_units, 'unit')}: {percent(risk.lot_producers)}",
            )
        yield (
            f"consumer's risk at {risk.bad_percent:g} %",
            f"{percent(risk.consumers)} accepted",
            f"with {number_of(risk.bad_units, 'unit')}: {percent(risk.lot_consumers)}",
        )
    for quality in worth.qualities:
        yield (
            f"accepted in {percent(quality.accepted)}",
            f"{quality.percent:.3g} % nonconforming",
            f"up to {number_of(quality.units, 'unit')}",
        )


def percent(share: float) -> str:
    """Return a probability in per cent, to as many digits as tell it from none and all."""
    value = 100.0 * share
    if 0.0 < value < 0.1:
        return "under 0.1 %"
    if 99.9 < value < 100.0:
        return "over 99.9 %"
    return f"{value:.3g} %"


def event_words(event: LotEvent) -> str:
    """Return what was done to a lot by hand, when and by whom."""
    who = f" by {event.operator}" if event.operator else ""
    item = f"item {event.item} " if event.item is not None else ""
    text = f": {event.text}" if event.text else ""
    what = EVENT_WORDS.get(event.kind, str(event.kind))
    return f"{event.at.astimezone():%Y-%m-%d %H:%M}  {item}{what}{who}{text}"


def inspection_word(inspection: Inspection) -> str:
    """Return how the next lot is inspected, in a word."""
    return "ended" if inspection.ended else str(inspection.severity)


def average_words(average: ProcessAverage | None) -> str:
    """Return a process average with its interval, in a sentence without its full stop."""
    if average is None:
        return "no process average yet"
    return (
        f"process average {100 * average.share:.3g} % nonconforming ({average.nonconforming} of "
        f"{average.inspected}; with 95 % confidence {100 * average.low:.3g} to "
        f"{100 * average.high:.3g} %)"
    )


def history_lines(history: SupplierHistory) -> Iterator[str]:
    """Yield a supplier's lots that count together, its average, and how the next is inspected."""
    key = history.key
    world = " (SIMULATED)" if key.simulated else ""
    yield f"{history.supplier}: {key.unit_type}, level {key.level}, AQL {key.aql:g} %{world}"
    for lot in (*history.lots, *history.open_lots):
        again = "" if lot.original else ", offered again"
        yield (
            f"  {_day(lot)}  {lot.name}  {lot.severity}, {lot.n} of {lot.size}, Ac {lot.ac}: "
            f"{len(lot.nonconforming)} nonconforming, {verdict_word(lot)}{again}{_broken_off(lot)}"
        )
    for lot in history.withdrawn:
        yield f"  {_day(lot)}  {lot.name}  withdrawn, counts for nothing: {lot.closing_note}"
    doubt = (
        ", not to be relied on: a sample was broken off out of order" if history.in_doubt else ""
    )
    if history.average is not None and any(_broken_off(lot) for lot in history.lots):
        doubt += (
            "; a sample broken off once its lot had failed draws the average of a few lots up "
            "(over many it evens out)"
        )
    yield f"  {average_words(history.average)}{doubt}"
    yield f"  next lot: {inspection_word(history.inspection)}. {history.inspection.why}"


def _day(lot: LotKept) -> str:
    return f"{(lot.closed_at or lot.opened_at).astimezone():%Y-%m-%d}"


def _broken_off(lot: LotKept) -> str:
    """Return what of a sample that was broken off counts in the average, led by a comma."""
    if lot.is_open or not lot.left or not lot.original:
        return ""
    inspected, bad = counted(lot)
    order = "" if lot.judged == inspected else ", out of the crate's order"
    return (
        f", broken off with {lot.judged} of {len(lot.sample)} tested{order}: {bad} of {inspected} "
        "count in the average"
    )
