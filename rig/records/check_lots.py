"""Do the lots of a records file add up: plan, draw, runs, acts by hand, and what each came to?

All of it is worked out again from what the lot was asked for, and from its runs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from rig.analysis.model import Verdict
from rig.labels import serial_key, shown
from rig.quality.sampling_draw import drawing_order
from rig.quality.sampling_tables import Level, SamplingError, Severity, sampling_plan
from rig.records.lot_model import (
    ItemResult,
    LotEnd,
    LotEventKind,
    LotItem,
    LotResult,
    LotRun,
    Untestable,
    what_they_say,
)
from rig.records.model import RunState
from rig.records.problems import Problems

_ASK_THE_BACKUP = (
    "Decide nothing by this lot: compare it with the newest sound backup, `halfturn lot show LOT "
    "--records BACKUP`, and with its report if one was printed. Its runs are looked at by "
    "themselves."
)
_PLAN = ("lot_letter", "letter", "table_n", "n", "ac", "re")
_CALLED = ("the lot's letter", "letter", "the table's n", "n", "Ac", "Re")
_WHEN = datetime.min.replace(tzinfo=UTC)  # nothing here depends on the time of a run

Row = Mapping[str, Any]


@dataclass
class LotRows:
    """The rows of lots, by the keys in the file, and of the units that runs were made with."""

    lots: dict[bytes, Row] = field(default_factory=dict)
    items: dict[bytes, list[Row]] = field(default_factory=lambda: defaultdict(list))
    runs: dict[bytes, list[Row]] = field(default_factory=lambda: defaultdict(list))
    events: dict[bytes, list[Row]] = field(default_factory=lambda: defaultdict(list))
    units: dict[bytes, Row] = field(default_factory=dict)

    def take(self, table: str, row: Row) -> None:
        """Take note of a row, if it is of such a table."""
        match table:
            case "units":
                self.units[row["id"]] = row
            case "lots":
                self.lots[row["id"]] = row
            case "lot_items":
                self.items[row["lot_id"]].append(row)
            case "lot_runs":
                self.runs[row["item_id"]].append(row)
            case "lot_events":
                self.events[row["lot_id"]].append(row)


def check_lots(rows: LotRows, runs: Mapping[bytes, Row], problems: Problems) -> None:
    """Tell of every lot that does not add up; ``runs`` are the rows of runs, by key."""
    for key, row in rows.lots.items():
        name = shown(_text(row["name"]))
        try:
            for wrong in _Lot(key, row, rows, runs).wrong():
                problems.add(f"The lot “{name}” does not add up: {wrong}", _ASK_THE_BACKUP)
        except (ValueError, LookupError, TypeError, AttributeError, ArithmeticError):
            # A value that cannot be, or a row that is not there; which one is told elsewhere.
            problems.add(f"The lot “{name}” cannot be worked out again.", _ASK_THE_BACKUP)


class _Lot:
    def __init__(self, key: bytes, row: Row, rows: LotRows, runs: Mapping[bytes, Row]) -> None:
        self.row, self.all_runs, self.units = row, runs, rows.units
        self.items = sorted(rows.items.get(key, ()), key=lambda item: int(item["position"]))
        self.events = sorted(rows.events.get(key, ()), key=lambda event: int(event["position"]))
        self.links = {
            item["id"]: sorted(rows.runs.get(item["id"], ()), key=lambda run: int(run["position"]))
            for item in self.items
        }

    def wrong(self) -> Iterator[str]:
        """Yield what does not fit, as ends of a sentence."""
        yield from self._plan()
        yield from self._draw()
        # Every event and every run of an item was a change (`LotRow.version`).
        kept = len(self.events) + sum(map(len, self.links.values()))
        if kept != self.row["version"]:
            if self.row.get("bench_id") is None:
                yield f"it was changed {self.row['version']} times, and {kept} changes are kept."
                yield from self._end()
            return  # of another bench's lot not every run may have come
        for item in self.items:
            yield from self._runs_of(item)
        yield from self._acts()
        yield from self._end()

    def _plan(self) -> Iterator[str]:
        row = self.row
        level, severity = Level(_text(row["level"])), Severity(_text(row["severity"]))
        asked = f"size {row['size']}, AQL {row['aql']:g} %, level {level}, {severity} inspection"
        try:
            plan = sampling_plan(row["size"], level, row["aql"], severity)
        except SamplingError:
            yield f"the tables have no plan for {asked}."
            return
        kept = [row[name] for name in _PLAN]
        kept = [_text(value) if isinstance(value, bytes) else value for value in kept]
        due = [getattr(plan, name) for name in _PLAN]
        differ = [
            f"{called} is {shown(str(is_kept))}, not {is_due}"
            for called, is_kept, is_due in zip(_CALLED, kept, due, strict=True)
            if is_kept != is_due
        ]
        if differ:
            yield f"by {asked}, {', '.join(differ)}."

    def _draw(self) -> Iterator[str]:
        n, size, seed = (int(self.row[name]) for name in ("n", "size", "seed"))
        replaced = {
            item["id"] for item in self.items if _is(item["untestable"], Untestable.REPLACED)
        }
        if len(self.items) != n + len(replaced):
            yield (
                f"it has {len(self.items)} items, not {n} and one for each of {len(replaced)} "
                "replaced."
            )
        count = min(len(self.items), max(size, 0))
        numbers = [item["number"] for item in self.items]
        drawn = drawing_order(size, count, seed)
        if list(drawn) != numbers:
            place = next(k for k in range(len(numbers)) if k >= count or drawn[k] != numbers[k])
            due = f", not {drawn[place]}" if place < count else ""
            yield f"with the seed {seed}, item {place + 1} of the draw is {numbers[place]}{due}."
        instead = [item["replaces"] for item in self.items[n:]]
        if set(instead) != replaced or len(set(instead)) != len(instead):
            yield "the items drawn later are not one for each that was replaced."
        if any(item["replaces"] is not None for item in self.items[:n]):
            yield "an item of the first draw replaces another."

    def _runs_of(self, item: Row) -> Iterator[str]:
        number, links = item["number"], self.links[item["id"]]
        if [link["position"] for link in links] != list(range(len(links))):
            yield f"some runs of item {number} are missing or there twice."
        for link in links:
            run = self.all_runs[link["run_id"]]
            unit = self.units[run["unit_id"]]
            made = (run["plan_sha256"], run["simulated"], unit["unit_type"])
            if made != tuple(self.row[name] for name in ("plan_sha256", "simulated", "unit_type")):
                yield f"a run of item {number} is not of the lot's plan, unit type and world."
            if link["set_aside"]:
                continue
            serial, named = _text(unit["serial"]), _text(item["serial"])
            if serial_key(serial) != serial_key(named):
                yield f"item {number} is “{shown(named)}”, and was tested as “{shown(serial)}”."

    def _acts(self) -> Iterator[str]:
        """What was done by hand is noted, and what is noted was done."""
        numbers = {item["number"] for item in self.items}
        noted: Counter[tuple[LotEventKind, int | None]] = Counter()
        said = set()
        for event in self.events:
            kind, item = LotEventKind(_text(event["kind"])), event["item"]
            noted[kind, item] += 1
            said.add((kind, item, event["text"]))
            if item is not None and item not in numbers:
                yield f"something is noted of item {item}, which is none of its sample."
        for item in self.items:
            number = item["number"]
            lost = noted[LotEventKind.UNTESTABLE, number] - noted[LotEventKind.TESTABLE, number]
            if lost != (item["untestable"] is not None):
                yield f"what is noted of item {number} being tested or not is not what it is."
            for link in self.links[item["id"]]:
                why = link["set_aside"]
                if why and (LotEventKind.SET_ASIDE, number, why) not in said:
                    yield f"a run of item {number} is set aside, and nobody is noted to have."

    def _end(self) -> Iterator[str]:
        end = None if self.row["end"] is None else LotEnd(_text(self.row["end"]))
        there = {self.row[name] is not None for name in ("closed_at", "closed_number")}
        if there != {end is not None}:
            yield "it is open and closed at once."
        last = None if not self.events else LotEventKind(_text(self.events[-1]["kind"]))
        closing = {None: None, LotEnd.WITHDRAWN: LotEventKind.WITHDRAWN}.get(
            end, LotEventKind.CLOSED
        )
        noted = last if last in (LotEventKind.CLOSED, LotEventKind.WITHDRAWN) else None
        if noted is not closing:
            yield "how it ended is not what is noted last."
        if end is None:
            return
        items = [self._item(item) for item in self.items]
        came_to = what_they_say(items, self.row["ac"], self.row["re"])
        if end is LotEnd.WITHDRAWN:
            counts = any(item.result in _JUDGED for item in items)
            if counts or any(run.decided for item in items for run in item.runs):
                yield "it was withdrawn, and something of it was judged."
            return
        due = {
            LotResult.ACCEPTABLE: LotEnd.ACCEPTED,
            LotResult.NOT_ACCEPTABLE: LotEnd.NOT_ACCEPTED,
        }.get(came_to)
        if end is not due:
            yield f"it was closed as {_words(end)}, and its items come to {_words(due or came_to)}."

    def _item(self, row: Row) -> LotItem:
        lost = None if row["untestable"] is None else Untestable(_text(row["untestable"]))
        return LotItem(
            UUID(_text(row["id"])),
            row["position"] + 1,
            row["number"],
            bool(self.row["simulated"]),
            untestable=lost,
            runs=tuple(map(self._run, self.links[row["id"]])),
        )

    def _run(self, link: Row) -> LotRun:
        run = self.all_runs[link["run_id"]]
        verdict = None if run["verdict"] is None else Verdict(_text(run["verdict"]))
        return LotRun(
            UUID(_text(link["run_id"])),
            _WHEN,
            "",
            "",
            RunState(_text(run["state"])),
            verdict,
            bool(run["simulated"]),
            set_aside=_text(link["set_aside"]),
        )


_JUDGED = (ItemResult.CONFORMING, ItemResult.NONCONFORMING)


def _words(one: LotEnd | LotResult) -> str:
    return str(one).replace("_", " ")


def _is(stored: object, word: Untestable) -> bool:
    return stored == str(word.value).encode()


def _text(stored: Any) -> str:
    """Return stored text; raises UnicodeDecodeError or AttributeError if it is none."""
    return str(stored.decode())
