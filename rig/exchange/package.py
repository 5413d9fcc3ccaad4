"""What goes with the tables of an export: ``datapackage.json`` for programs, a README for people.

The former is a Data Package (version 2, https://datapackage.org): each file with its length and
SHA-256, each column with its type, unit and meaning, keys and references.  ``unit`` of a field and
``halfturn`` of the package are ours; the standard lets further properties be.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from textwrap import wrap
from typing import Any

from rig.exchange.as_csv import moment_text
from rig.exchange.fields import Field, Kind, Table

DESCRIPTION = "datapackage.json"
README = "README.txt"
FORM = 1
"""The form of an export; another one gets another number, and this one stays readable."""

_PROFILE = "https://datapackage.org/profiles/2.0/"
_MEDIA = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
_TYPES = {
    Kind.TEXT: "string",
    Kind.KEY: "string",
    Kind.WHOLE: "integer",
    Kind.NUMBER: "number",
    Kind.NUMBER_OR_NAN: "number",
    Kind.FLAG: "boolean",
    Kind.MOMENT: "datetime",
    Kind.DAY: "date",
    Kind.JSON: "any",
}


@dataclass(frozen=True)
class About:
    """What an export is: its format (csv, parquet), when and by what it was made, of what."""

    format: str
    made_at: datetime
    program_version: str
    schema: str
    runs: int
    with_traces: bool
    wanted: Mapping[str, str]


def describe(folder: Path, about: About, tables: Sequence[tuple[Table, int]]) -> None:
    """Write both descriptions of the tables, each with its number of rows, into the folder."""
    whole = {
        "$schema": f"{_PROFILE}datapackage.json",
        "name": "halfturn-records",
        "title": "Records of a halfturn bench",
        "description": f"{_title(about)}. See {README}.",
        "created": moment_text(about.made_at),
        "halfturn": {
            "form": FORM,
            "program_version": about.program_version,
            "records_schema": about.schema,
            "runs": about.runs,
            "with_traces": about.with_traces,
            "wanted": dict(about.wanted),
        },
        "resources": [_resource(folder, about.format, table, rows) for table, rows in tables],
    }
    text = json.dumps(whole, indent=1, ensure_ascii=False) + "\n"
    (folder / DESCRIPTION).write_text(text, encoding="utf-8", newline="\n")
    (folder / README).write_text(_readme(about, tables), encoding="utf-8", newline="\n")


def _title(about: About) -> str:
    runs = f"{about.runs} run{'' if about.runs == 1 else 's'}"
    of = ", ".join(f"{name} {value}" for name, value in about.wanted.items())
    return f"{runs}{f' ({of})' if of else ''}, {'with' if about.with_traces else 'without'} traces"


# --- for programs -----------------------------------------------------------------------------


def sum_of(path: Path) -> str:
    """Return the SHA-256 (hexadecimal) of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _resource(folder: Path, format: str, table: Table, rows: int) -> dict[str, Any]:
    path = folder / f"{table.name}.{format}"
    made: dict[str, Any] = {
        "name": table.name,
        "type": "table",
        "path": path.name,
        "description": table.meaning,
        "format": format,
        "mediatype": _MEDIA[format],
        "bytes": path.stat().st_size,
        "hash": f"sha256:{sum_of(path)}",
        "rows": rows,
    }
    if format == "csv":
        made["encoding"] = "utf-8"
    return {**made, "schema": _schema(table)}


def _schema(table: Table) -> dict[str, Any]:
    made: dict[str, Any] = {
        "$schema": f"{_PROFILE}tableschema.json",
        "fields": [_field(field) for field in table.fields],
        "missingValues": [""],
    }
    if table.key:
        made["primaryKey"] = list(table.key)
    if table.refers:
        made["foreignKeys"] = [
            {"fields": [own], "reference": {"resource": other, "fields": [column]}}
            for own, other, column in table.refers
        ]
    return made


def _field(field: Field) -> dict[str, Any]:
    made: dict[str, Any] = {
        "name": field.name,
        "type": _TYPES[field.kind],
        "description": field.meaning,
    }
    if field.kind is Kind.KEY:
        made["format"] = "uuid"
    if field.unit:
        made["unit"] = field.unit
    constraints: dict[str, Any] = {}
    # A text may be empty, which Table Schema takes for missing.
    if not field.optional and (field.kind is not Kind.TEXT or field.words):
        constraints["required"] = True
    if field.words:
        constraints["enum"] = list(field.words)
    return made | ({"constraints": constraints} if constraints else {})


# --- for people -------------------------------------------------------------------------------

_CSV = """\
CSV by RFC 4180: UTF-8, commas, decimal points. Moments are ISO 8601 in UTC. An empty cell holds
nothing (not measured, not known); NaN is no number. Numbers read back exactly. A text that begins
with =, +, -, @ or ' has one ' before it, so that no spreadsheet runs it as a formula: take one
leading ' away to have it as recorded. Columns of JSON hold JSON."""

_PARQUET = """\
Apache Parquet. Moments are UTC. null holds nothing (not measured, not known); NaN is no number.
Unit and meaning of a column stand in its metadata. Columns of JSON hold JSON as text."""

_START = """\
results is one flat table for a spreadsheet, R or pandas; the others are the records as they are
kept, joined by their keys. Runs with simulated = true were made on a simulated bench: leave them
out before you count. Uncertainties are expanded, k = 2, unless a column says otherwise.
{description} has the same for programs (Data Package, https://datapackage.org), with the SHA-256 of
every file. `halfturn records take-in` reads {what} back."""


def _readme(about: About, tables: Sequence[tuple[Table, int]]) -> str:
    what = "this folder" if about.with_traces else "such a folder, if made with --with-traces,"
    parts = [
        f"halfturn records: {_title(about)}\n"
        f"made {moment_text(about.made_at)} by halfturn {about.program_version}",
        _filled(_START.format(description=DESCRIPTION, what=what)),
        _filled(_CSV if about.format == "csv" else _PARQUET),
        *(_table(table, rows, about.format) for table, rows in tables),
    ]
    return "\n\n".join(parts) + "\n"


def _filled(text: str) -> str:
    return "\n".join(wrap(text, 88, break_on_hyphens=False, break_long_words=False))


def _table(table: Table, rows: int, format: str) -> str:
    width = max(len(name) for name in table.names)
    lines = [
        f"{table.name}.{format}  ({rows} row{'' if rows == 1 else 's'})",
        _filled(table.meaning),
        "",
    ]
    refers = {own: f"; {other}.{column}" for own, other, column in table.refers}
    for field in table.fields:
        unit = f", {field.unit}" if field.unit else ""
        words = f": {', '.join(field.words)}" if field.words else ""
        kind = "JSON" if field.kind is Kind.JSON else ""
        more = f" [{kind}]" if kind else ""
        text = f"{field.meaning}{unit}{words}{refers.get(field.name, '')}{more}"
        lines += wrap(
            text,
            96,
            initial_indent=f"  {field.name:<{width}}  ",
            subsequent_indent=" " * (width + 4),
            break_on_hyphens=False,
        )
    return "\n".join(lines)
