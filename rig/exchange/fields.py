"""What a table of an export has in it: its columns, each with its kind, unit and meaning."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, Column, Date, Integer, String, Uuid

from rig.exchange.meanings import MEANINGS, UNITS
from rig.records.bundles import ROOTS
from rig.records.columns import NanFloat, UtcDateTime, Word
from rig.records.tables import Base

_OF_THE_MACHINE = {("benches", name) for name in ("own", "machine", "token")}
_OF_THE_PROCESS = "owner_"
# Which process ran a run, on which machine: of no use elsewhere, and nobody's business.

_BY_ENDING = {
    "_deg_per_s": "deg/s",
    "_ohm": "ohm",
    "_deg": "deg",
    "_s": "s",
    "_a": "A",
    "_v": "V",
    "_c": "C",
    "_j": "J",
}


class Kind(StrEnum):
    """What a column's cells are."""

    TEXT = "text"
    KEY = "key"  # a UUID
    WHOLE = "whole"
    NUMBER = "number"
    NUMBER_OR_NAN = "number_or_nan"  # never missing: what was not a number is NaN
    FLAG = "flag"
    MOMENT = "moment"  # UTC
    DAY = "day"
    JSON = "json"


@dataclass(frozen=True)
class Field:
    """A column: ``unit`` is empty where there is none, ``words`` what a text may be ((): any).

    ``optional``: a cell may hold nothing.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    optional: bool = False
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A table of an export.  ``refers`` holds by column the table and column it refers to."""

    name: str
    meaning: str
    fields: tuple[Field, ...]
    key: tuple[str, ...] = ()
    refers: tuple[tuple[str, str, str], ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The columns' names in their order."""
        return tuple(field.name for field in self.fields)


CHECKSUM = Field(
    "checksum",
    Kind.TEXT,
    "SHA-256 (hexadecimal) of the run and its traces, as its sheets carry it; only with traces",
    optional=True,
)
"""What the table of runs has besides the records' own columns."""

WRITTEN = Field(
    "written", Kind.WHOLE, "how often its bench has written it: the highest is the newest"
)
"""What every table of whole records (runs, calibrations, lots ...) has besides."""

BENCH = "bench_id"

LEFT_OUT = frozenset({"traces", "versions", "centrals"})
"""Tables of the records that are no table of an export, or are one in another form."""


def kept_table(name: str) -> Table:
    """Return the table of an export that holds a table of the records."""
    table = Base.metadata.tables[name]
    columns = [
        column
        for column in table.columns
        if not column.name.startswith(_OF_THE_PROCESS)
        and (name, column.name) not in _OF_THE_MACHINE
    ]
    fields = [_field(name, column) for column in columns]
    if name in ROOTS.values():
        fields.append(WRITTEN)
    if name == "runs":
        fields.append(CHECKSUM)
    return Table(
        name,
        MEANINGS[name][""],
        tuple(fields),
        tuple(column.name for column in table.primary_key.columns),
        tuple(
            (key.parent.name, key.column.table.name, key.column.name)
            for column in columns
            for key in sorted(column.foreign_keys, key=lambda key: key.target_fullname)
        ),
    )


def kept_tables() -> tuple[Table, ...]:
    """Return every table of the records that goes out, each after those it refers to."""
    return tuple(
        kept_table(table.name)
        for table in Base.metadata.sorted_tables
        if table.name not in LEFT_OUT
    )


def _field(table: str, column: Column[Any]) -> Field:
    kind = kind_of(column.type)
    words = tuple(str(w.value) for w in column.type.kind) if isinstance(column.type, Word) else ()
    return Field(
        column.name,
        kind,
        MEANINGS[table][column.name],
        _unit(table, column.name, kind),
        bool(column.nullable) and kind is not Kind.NUMBER_OR_NAN and column.name != BENCH,
        words,
    )


def _unit(table: str, name: str, kind: Kind) -> str:
    if (table, name) in UNITS:
        return UNITS[table, name]
    if kind not in (Kind.NUMBER, Kind.NUMBER_OR_NAN):
        return ""
    return next((unit for ending, unit in _BY_ENDING.items() if name.endswith(ending)), "")


def kind_of(of: Any) -> Kind:
    """Return what the cells of a column of this type are."""
    match of:
        case NanFloat():
            return Kind.NUMBER_OR_NAN
        case UtcDateTime():
            return Kind.MOMENT
        case Date():
            return Kind.DAY
        case JSON():
            return Kind.JSON
        case Uuid():
            return Kind.KEY
        case Word() | String():
            return Kind.TEXT
        case Boolean():
            return Kind.FLAG
        case Integer():
            return Kind.WHOLE
    return Kind.NUMBER
