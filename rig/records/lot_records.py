"""Lots in the records: opened, gone on with, closed, read.  A closed lot is final."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from uuid import UUID

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from rig.labels import name_key, serial_key, shown
from rig.quality.calibration_words import standing_in_short
from rig.records import finding
from rig.records.calibrations import standing_read
from rig.records.errors import RecordsError
from rig.records.golden_said import golden_in_short
from rig.records.lot_model import (
    ItemResult,
    LotEnd,
    LotEvent,
    LotEventKind,
    LotItem,
    LotKept,
    LotResult,
    LotRun,
    LotStart,
    Untestable,
)
from rig.records.lot_tables import LotEventRow, LotItemRow, LotRow, LotRunRow
from rig.records.tables import ReasonRow, RunRow, UnitRow

Reads = Callable[[], AbstractContextManager[Session]]
Writes = Callable[[str], AbstractContextManager[Session]]

_OWN = LotRow.bench_id.is_(None)  # another bench's lots are not gone on with here
_NAMED = 5  # lots named where one was not found
_AT_ONCE = 500  # lots whose items are read by one question


class LotRecords:
    """The lots of a store; raises RecordsError like it.

    Every change is written with who made it and when (``LotKept.events``).
    """

    def __init__(self, read: Reads, write: Writes) -> None:
        self._read, self._write = read, write

    # --- opening and closing ------------------------------------------------------------------

    def open(self, start: LotStart) -> UUID:
        """Keep a lot with the sample drawn for it; its name must be new."""
        with self._write("open a lot in") as session:
            there = _named(session, start.name)
            if there is not None:
                raise RecordsError(
                    f"There is a lot “{shown(there.name)}” already; it was left as it is. Go on "
                    "with it, or choose another name."
                )
            last = session.scalar(select(func.max(LotRow.number)).where(_OWN))
            row = LotRow(
                number=1 + (last or 0),
                plan=finding.text_for(session, start.plan_text),
                items=[
                    LotItemRow(position=position, number=number)
                    for position, number in enumerate(start.items)
                ],
                **{name: getattr(start, name) for name in _AS_STARTED},
            )
            session.add(row)
            _note(row, start.opened_at, start.operator, LotEventKind.OPENED, None, start.note)
            if start.seed_given:
                seed = str(start.seed)
                _note(row, start.opened_at, start.operator, LotEventKind.SEED_GIVEN, None, seed)
            session.flush()
            return row.id

    def close(self, name: str, operator: str, at: datetime, note: str = "") -> LotKept:
        """Close a lot as its sample says; RecordsError while the sample says nothing yet."""
        with self._write("close a lot in") as session:
            row, kept = _need_open(session, name)
            if kept.result is LotResult.OPEN:
                raise RecordsError(
                    f"The lot “{shown(name)}” cannot be closed yet: {len(kept.left)} of "
                    f"{len(kept.sample)} items are not judged, and "
                    f"{len(kept.nonconforming)} nonconforming ones are fewer than {kept.re}. "
                    f"The next is item {kept.left[0].number}."
                )
            on_jig = [item.number for item in kept.sample if item.on_jig is not None]
            if on_jig:
                raise RecordsError(
                    f"Item {on_jig[0]} of the lot “{shown(name)}” is being tested; close the lot "
                    "when that run has ended."
                )
            accepted = kept.result is LotResult.ACCEPTABLE
            end = LotEnd.ACCEPTED if accepted else LotEnd.NOT_ACCEPTED
            return _closed(session, row, end, LotEventKind.CLOSED, operator, at, note)

    def withdraw(self, name: str, operator: str, at: datetime, reason: str) -> LotKept:
        """Close a lot that was opened by mistake; RecordsError if anything of it was judged."""
        with self._write("withdraw a lot in") as session:
            row, kept = _need_open(session, name)
            for item in kept.items:
                _need_off_jig(item, name)
            runs = len(kept.decided_runs)
            if kept.judged or runs:
                found = (
                    f"items of it judged: {kept.judged}"
                    if kept.judged
                    else f"runs of it that came to pass or fail, set aside or not: {runs}"
                )
                raise RecordsError(
                    f"The lot “{shown(name)}” cannot be withdrawn: {found}, and what was found "
                    "stands. Go on with it, and close it."
                )
            return _closed(
                session, row, LotEnd.WITHDRAWN, LotEventKind.WITHDRAWN, operator, at, reason
            )

    # --- what is done by hand on the way --------------------------------------------------------

    def set_aside(self, name: str, item: int, reason: str, operator: str, at: datetime) -> LotKept:
        """Set the runs aside that item ``item`` has by now, so that another one decides it."""
        with self._write("set a run aside in") as session:
            row, kept = _need_open(session, name)
            _need_off_jig(_need_item(kept, item), name)
            item_row = _item_row(row, item)
            counting = [run for run in item_row.runs if not run.set_aside]
            if not counting:
                raise RecordsError(
                    f"Item {item} of the lot “{shown(name)}” has no run that may count, so there "
                    "is none to be set aside."
                )
            for run in counting:
                run.set_aside = reason
            item_row.serial = ""  # a label misread is one reason to set a run aside
            _note(row, at, operator, LotEventKind.SET_ASIDE, item, reason)
            return _reread(session, row)

    def not_testable(
        self,
        name: str,
        item: int,
        reason: str,
        operator: str,
        at: datetime,
        *,
        replaced_by: int | None = None,
    ) -> LotKept:
        """Note that an item cannot be tested.

        It counts as nonconforming, or item ``replaced_by``, drawn at random, takes its place.
        """
        with self._write("note an item of a lot in") as session:
            row, kept = _need_open(session, name)
            one = _need_item(kept, item)
            if one.result is not ItemResult.LEFT:
                raise RecordsError(
                    f"Item {item} of the lot “{shown(name)}” is {one.result} already; it was left "
                    "as it is."
                )
            _need_off_jig(one, name)
            item_row = _item_row(row, item)
            item_row.untestable_why = reason
            if replaced_by is None:
                item_row.untestable = Untestable.NONCONFORMING
                said = f"counted as nonconforming: {reason}"
            else:
                _need_new(kept, replaced_by)
                item_row.untestable = Untestable.REPLACED
                said = f"replaced by item {replaced_by}: {reason}"
                row.items.append(
                    LotItemRow(position=len(kept.items), number=replaced_by, replaces=item_row.id)
                )
            _note(row, at, operator, LotEventKind.UNTESTABLE, item, said)
            return _reread(session, row)

    def testable(self, name: str, item: int, reason: str, operator: str, at: datetime) -> LotKept:
        """Take back that an item counts as nonconforming since it cannot be tested."""
        with self._write("note an item of a lot in") as session:
            row, kept = _need_open(session, name)
            if _need_item(kept, item).untestable is not Untestable.NONCONFORMING:
                raise RecordsError(
                    f"Item {item} of the lot “{shown(name)}” is not one that counts as "
                    "nonconforming because it cannot be tested; it was left as it is."
                )
            item_row = _item_row(row, item)
            item_row.untestable, item_row.untestable_why = None, ""
            _note(row, at, operator, LotEventKind.TESTABLE, item, reason)
            return _reread(session, row)

    def seen_before(
        self, name: str, item: int, serial: str, reason: str, operator: str, at: datetime
    ) -> LotKept:
        """Note why a unit that was an item of another lot is tested as item ``item`` of this."""
        with self._write("note an item of a lot in") as session:
            row, kept = _need_open(session, name)
            one = _need_item(kept, item)
            objection = why_not(kept, one, serial)
            if objection:
                raise RecordsError(f"{objection} Nothing was noted.")
            said = known_from(kept, one, serial, _sharing(session, kept, serial))
            if not said:
                raise RecordsError(
                    f"No other lot has the unit {shown(serial)}, so there is nothing to be said of "
                    "it. It was left as it is."
                )
            _item_row(row, item).serial = serial
            _note(row, at, operator, LotEventKind.SEEN_BEFORE, item, f"{said}: {reason}")
            return _reread(session, row)

    # --- reading --------------------------------------------------------------------------------

    def all(self, *, supplier: str | None = None) -> list[LotKept]:
        """Return every lot (of a supplier, however its name is spelt), the newest first."""
        with self._read() as session:
            query = select(LotRow).where(_OWN).order_by(LotRow.number.desc())
            if supplier is not None:
                names = session.scalars(select(LotRow.supplier).where(_OWN).distinct())
                alike = [name for name in names if name_key(name) == name_key(supplier)]
                query = query.where(LotRow.supplier.in_(alike))
            return _lots(session, session.scalars(query).all())

    def suppliers(self) -> list[str]:
        """Return the suppliers of lots that were not withdrawn, each as its newest lot has it."""
        with self._read() as session:
            query = select(LotRow.supplier).where(
                _OWN, or_(LotRow.end.is_(None), LotRow.end != LotEnd.WITHDRAWN)
            )
            names = session.scalars(query.order_by(LotRow.number)).all()
        return list({name_key(name): name for name in names}.values())

    def lot(self, name: str) -> LotKept:
        """Return the lot called ``name``."""
        with self._read() as session:
            return _lots(session, [_need(session, name)])[0]

    def with_unit(self, lot: LotKept, serial: str) -> list[LotKept]:
        """Return the other lots that have the unit ``serial``, and those offered before this."""
        with self._read() as session:
            return _sharing(session, lot, serial)

    def set_aside_of(self, runs: Sequence[UUID]) -> dict[UUID, str]:
        """Return why runs were set aside, of those among ``runs`` that were."""
        found: dict[UUID, str] = {}
        with self._read() as session:
            for first in range(0, len(runs), _AT_ONCE):
                query = select(LotRunRow.run_id, LotRunRow.set_aside).where(
                    LotRunRow.run_id.in_(runs[first : first + _AT_ONCE]), LotRunRow.set_aside != ""
                )
                found |= {run: why for run, why in session.execute(query)}  # noqa: C416
        return found

    def named(self, lot_id: UUID) -> str:
        """Return the name of a lot; empty if it is not there."""
        with self._read() as session:
            row = session.get(LotRow, lot_id)
            return "" if row is None else row.name


_AS_STARTED = (
    "name",
    "supplier",
    "order_number",
    "unit_type",
    "size",
    "aql",
    "level",
    "severity",
    "severity_why",
    "steady",
    "agreed_by",
    "irregular",
    "acted",
    "lot_letter",
    "letter",
    "table_n",
    "n",
    "ac",
    "re",
    "doubt",
    "plan_name",
    "simulated",
    "seed",
    "opened_at",
    "operator",
    "resubmitted_of",
    "note",
)
_AS_KEPT = (
    *_AS_STARTED,
    "number",
    "end",
    "closed_at",
    "closed_number",
    "closed_by",
    "closing_note",
    "version",
)


def link_lot_run(session: Session, item_id: UUID, run: RunRow) -> None:
    """Take a run that begins for one of a lot's item; RecordsError if the lot has no use for it."""
    item = session.get(LotItemRow, item_id)
    if item is None:
        raise RecordsError(
            "The lot that this run was meant for is not in these records (any more), so it was not "
            "begun. Begin it from the lot anew."
        )
    row, serial = item.lot, run.unit.serial
    kept = _lots(session, [row])[0]
    one = _need_item(kept, item.number)
    objection = why_not(kept, one, serial)
    if not objection:
        said = known_from(kept, one, serial, _sharing(session, kept, serial))
        objection = f"{said}. {SAY_WHY}" if said else ""
    if objection:
        raise RecordsError(f"{objection} No run was begun.")
    kind, wanted = (
        (run.plan_sha256, run.simulated, run.unit.unit_type),
        (row.plan_sha256, row.simulated, row.unit_type),
    )
    if kind != wanted:
        world = "the simulated bench" if row.simulated else "a real bench"
        raise RecordsError(
            f"The lot “{shown(row.name)}” is tested by the plan {row.plan_name} as it was when the "
            f"lot was opened (type {shown(row.unit_type)}), on {world}. No run was begun."
        )
    if not one.named:
        item.serial = serial
    session.add(LotRunRow(item=item, position=len(item.runs), run_id=run.id))
    row.version += 1


def why_not(lot: LotKept, item: LotItem, serial: str) -> str:
    """Return why no run of ``item`` with the unit ``serial`` may begin; empty if it may."""
    if not lot.is_open:
        return is_closed(lot)
    called = f"Item {item.number} of the lot “{shown(lot.name)}”"
    if item.result is not ItemResult.LEFT:
        return (
            f"{called} is {item.result} already. If that does not count, set its run "
            "aside with the reason first."
        )
    if item.on_jig is not None:
        return _is_on_jig(item, lot.name)
    if item.named and serial_key(item.serial) != serial_key(serial):
        return (
            f"{called} is {shown(item.serial)}, not {shown(serial)}. If that was read "
            "wrongly, set its run aside with the reason first."
        )
    twin = _twin(lot, item, serial)
    if twin is not None:
        return (
            f"{shown(serial)} is item {twin.number} of the lot “{shown(lot.name)}” already, and no "
            f"unit is counted twice. Read its label and that of item {item.number} again."
        )
    return ""


def _twin(lot: LotKept, item: LotItem | None, serial: str) -> LotItem | None:
    """Return the other item of a lot that is the unit ``serial``."""
    key = serial_key(serial)
    others = (one for one in lot.items if one.named and (item is None or one is not item))
    return next((one for one in others if serial_key(one.serial) == key), None)


SAY_WHY = "If it is that unit again, say why first; else read its label again."


def known_from(lot: LotKept, item: LotItem, serial: str, others: Sequence[LotKept]) -> str:
    """Return of which of the ``others`` the unit ``serial`` was an item, without a full stop.

    Empty if of none, or if that was answered for ``item`` by now.  A lot may have the units of the
    one that it is offered again for (``others`` has all of those), and of one withdrawn.
    """
    if item.serial and serial_key(item.serial) == serial_key(serial):
        return ""
    came_of = {other.lot_id: other.resubmitted_of for other in others}
    kin, before = {lot.lot_id}, lot.resubmitted_of
    while before is not None and before not in kin:
        kin.add(before)
        before = came_of.get(before)
    for other in others:
        alike = (other.unit_type, other.simulated) == (lot.unit_type, lot.simulated)
        if other.lot_id in kin or other.end is LotEnd.WITHDRAWN or not alike:
            continue
        twin = _twin(other, None, serial)
        if twin is not None:
            return (
                f"{shown(serial)} was item {twin.number} of the lot “{shown(other.name)}” "
                f"({twin.result})"
            )
    return ""


def as_named(item: LotItem, serial: str) -> str:
    """Return a serial number as the item's earlier runs have it, if it is the same one."""
    same = item.serial and serial_key(item.serial) == serial_key(serial)
    return item.serial if same else serial


def _sharing(session: Session, lot: LotKept, serial: str) -> list[LotKept]:
    """Return what `known_from` needs of the other lots: those with the unit, and those before."""
    query = (
        select(LotItemRow.lot_id, LotItemRow.serial)
        .join(LotRow, LotItemRow.lot_id == LotRow.id)
        .where(
            _OWN,
            LotRow.unit_type == lot.unit_type,
            LotRow.simulated == lot.simulated,
            LotRow.id != lot.lot_id,
            LotItemRow.serial != "",
        )
    )
    key = serial_key(serial)
    ids = {lot_id for lot_id, known in session.execute(query) if serial_key(known) == key}
    if not ids:
        return []
    before = lot.resubmitted_of
    before_it: set[UUID] = set()
    while before is not None and before not in before_it:
        before_it.add(before)
        row = session.get(LotRow, before)
        before = None if row is None else row.resubmitted_of
    rows = session.scalars(
        select(LotRow).where(LotRow.id.in_(ids | before_it)).order_by(LotRow.number.desc())
    )
    return _lots(session, rows.all())


def _named(session: Session, name: str) -> LotRow | None:
    """Return the lot of a name, or else the one whose name differs in capitals and blanks alone."""
    exact = session.scalar(select(LotRow).where(_OWN, LotRow.name == name))
    if exact is not None:
        return exact
    names = session.scalars(select(LotRow.name).where(_OWN).order_by(LotRow.number))
    alike = next((one for one in names if name_key(one) == name_key(name)), None)
    return (
        None if alike is None else session.scalar(select(LotRow).where(_OWN, LotRow.name == alike))
    )


def _need(session: Session, name: str) -> LotRow:
    row = _named(session, name)
    if row is None:
        query = select(LotRow.name).where(_OWN).order_by(LotRow.number.desc()).limit(_NAMED)
        names = [shown(one) for one in session.scalars(query)]
        there = ", ".join(names) if names else "none yet"
        raise RecordsError(f"There is no lot “{shown(name)}” in these records. There is: {there}.")
    return row


def _need_open(session: Session, name: str) -> tuple[LotRow, LotKept]:
    row = _need(session, name)
    kept = _lots(session, [row])[0]
    if not kept.is_open:
        raise RecordsError(f"{is_closed(kept)} It was left as it is.")
    return row, kept


def is_closed(kept: LotKept) -> str:
    """Return that a lot is closed, since when and how."""
    how = "" if kept.end is None else str(kept.end).replace("_", " ")
    day = "" if kept.closed_at is None else f" on {kept.closed_at.astimezone():%Y-%m-%d}"
    return f"The lot “{shown(kept.name)}” was closed{day} ({how}), which is final."


def _need_item(kept: LotKept, number: int) -> LotItem:
    for item in kept.items:
        if item.number == number:
            return item
    numbers = [str(item.number) for item in kept.sample]
    shown_most = ", ".join(numbers[:20]) + (" ..." if len(numbers) > 20 else "")
    raise RecordsError(
        f"Item {number} is not in the sample of the lot “{shown(kept.name)}”; it is: {shown_most}."
    )


def _item_row(row: LotRow, number: int) -> LotItemRow:
    return next(item for item in row.items if item.number == number)


def _need_off_jig(item: LotItem, name: str) -> None:
    if item.on_jig is not None:
        raise RecordsError(_is_on_jig(item, name))


def _is_on_jig(item: LotItem, name: str) -> str:
    began = "" if item.on_jig is None else f"{item.on_jig.started_at.astimezone():%H:%M}"
    return (
        f"Item {item.number} of the lot “{shown(name)}” ({shown(item.serial)}) is being tested "
        f"since {began}; wait for the end of that run."
    )


def _need_new(kept: LotKept, number: int) -> None:
    if not 1 <= number <= kept.size or any(item.number == number for item in kept.items):
        raise RecordsError(
            f"Item {number} cannot take another's place in the lot “{shown(kept.name)}”: it was "
            f"drawn before, or is none of its {kept.size}."
        )


def _note(
    row: LotRow, at: datetime, operator: str, kind: LotEventKind, item: int | None, text: str
) -> None:
    row.version = (row.version or 0) + 1
    row.events.append(
        LotEventRow(
            position=len(row.events), at=at, operator=operator, kind=kind, item=item, text=text
        )
    )


def _closed(
    session: Session,
    row: LotRow,
    end: LotEnd,
    kind: LotEventKind,
    operator: str,
    at: datetime,
    note: str,
) -> LotKept:
    last = session.scalar(select(func.max(LotRow.closed_number)))
    row.end, row.closed_at, row.closed_by, row.closing_note = end, at, operator, note
    row.closed_number = 1 + (last or 0)
    _note(row, at, operator, kind, None, note)
    return _reread(session, row)


def _reread(session: Session, row: LotRow) -> LotKept:
    session.flush()
    return _lots(session, [row])[0]


# --- from rows ------------------------------------------------------------------------------------


def _lots(session: Session, rows: Sequence[LotRow]) -> list[LotKept]:
    """Return the lots of ``rows``, read with few questions however many there are."""
    items: dict[UUID, list[LotItemRow]] = defaultdict(list)
    events: dict[UUID, list[LotEventRow]] = defaultdict(list)
    runs: dict[UUID, list[LotRun]] = defaultdict(list)
    ids = [row.id for row in rows]
    for first in range(0, len(ids), _AT_ONCE):
        some = ids[first : first + _AT_ONCE]
        of_lots = select(LotItemRow).where(LotItemRow.lot_id.in_(some))
        for item in session.scalars(of_lots.order_by(LotItemRow.position)):
            items[item.lot_id].append(item)
        done = select(LotEventRow).where(LotEventRow.lot_id.in_(some))
        for event in session.scalars(done.order_by(LotEventRow.position)):
            events[event.lot_id].append(event)
        for item_id, run in _runs(session, some):
            runs[item_id].append(run)
    return [_lot(row, items[row.id], events[row.id], runs) for row in rows]


def _runs(session: Session, lots: Sequence[UUID]) -> Iterator[tuple[UUID, LotRun]]:
    query = (
        select(
            LotRunRow.item_id,
            RunRow.id,
            RunRow.started_at,
            UnitRow.serial,
            RunRow.operator,
            RunRow.state,
            RunRow.verdict,
            RunRow.simulated,
            ReasonRow.text,
            LotRunRow.set_aside,
            RunRow.golden,
            RunRow.calibration,
        )
        .join(LotItemRow, LotRunRow.item_id == LotItemRow.id)
        .join(RunRow, LotRunRow.run_id == RunRow.id)
        .join(UnitRow, RunRow.unit_id == UnitRow.id)
        .outerjoin(ReasonRow, and_(ReasonRow.run_id == RunRow.id, ReasonRow.position == 0))
        .where(LotItemRow.lot_id.in_(lots))
        .order_by(LotRunRow.item_id, LotRunRow.position)
    )
    for row in session.execute(query):
        item, run, at, serial, operator, state, verdict, simulated, why, aside, golden, cal = row
        standing = standing_read(cal, None, simulated=simulated)
        of_rig = (golden_in_short(golden), standing_in_short(standing))
        caution = "; ".join(filter(None, of_rig))
        why = why or ""
        yield (
            item,
            LotRun(run, at, serial, operator, state, verdict, simulated, why, aside, caution),
        )


def _lot(
    row: LotRow,
    items: Sequence[LotItemRow],
    events: Sequence[LotEventRow],
    runs: Mapping[UUID, Sequence[LotRun]],
) -> LotKept:
    numbers = {item.id: item.number for item in items}
    return LotKept(
        lot_id=row.id,
        plan_text=row.plan.text,
        items=tuple(
            LotItem(
                item.id,
                item.position + 1,
                item.number,
                row.simulated,
                item.serial,
                item.untestable,
                item.untestable_why,
                None if item.replaces is None else numbers[item.replaces],
                tuple(runs.get(item.id, ())),
            )
            for item in items
        ),
        events=tuple(LotEvent(e.at, e.operator, e.kind, e.item, e.text) for e in events),
        **{name: getattr(row, name) for name in _AS_KEPT},
    )
