"""The header and the cells of a trace file, and the error that tells a mistake in them."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

REQUIRED = ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed")
FEEDS = REQUIRED[3:]

_NUMBER = re.compile(r"[+-]?(?:(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?|inf|nan)", re.I)
_SHOWN = 40  # characters of a wrong cell that are quoted back: enough to recognise it


class TraceFileError(ValueError):
    """A trace file cannot be read or written; the message names file, line, column and rule."""


@dataclass(frozen=True, slots=True)
class Header:
    """The columns of a file, in its order; an unnamed column is ""."""

    names: tuple[str, ...]

    @classmethod
    def read(cls, line: str, where: str) -> Header:
        """Return the header in ``line``; TraceFileError if it lacks a column or names one twice."""
        names = [name.strip() for name in cells_of(line, where)]
        missing = [name for name in REQUIRED if name not in names]
        if missing:
            _refuse_header(line, names, missing, where)
        for name in REQUIRED:
            if names.count(name) > 1:
                raise TraceFileError(f"{where}, column {name}: it is named twice; keep one of them")
        return cls(tuple(_told_apart(names)))


def _refuse_header(line: str, names: list[str], missing: list[str], where: str) -> NoReturn:
    for mark, called in ((";", "semicolons"), ("\t", "tabs")):
        if mark in line and "," not in line:
            raise TraceFileError(
                f"{where}: the columns are separated by {called}; separate them by commas and "
                "write decimals with a point"
            )
    raise TraceFileError(
        f"{where}: the header lacks {', '.join(missing)}; it reads {quoted(','.join(names))}. "
        f"The first line must name at least the columns {','.join(REQUIRED)}, in any order"
    )


def _told_apart(names: list[str]) -> Iterator[str]:
    seen: set[str] = set()
    used: dict[str, int] = {}  # the last number given to a name: counting on takes no time
    for name in names:
        free, number = name, used.get(name, 2)
        while free and free in seen:
            free, number = f"{name}_{number}", number + 1
        used[name] = number
        seen.add(free)
        yield free


def cells_of(line: str, where: str) -> list[str]:
    """Return the cells of a line (RFC 4180); TraceFileError if its quotes do not match."""
    if '"' not in line:
        return line.split(",")
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as error:
        raise TraceFileError(f"{where}: the quotation marks do not match ({error})") from error


def number_in(cell: str) -> float | None:
    """Return the cell's number, NaN if it is empty, None if it is something else."""
    text = cell.strip()
    if not text:
        return math.nan
    return float(text) if _NUMBER.fullmatch(text) else None


def lost_as_nan(text: str) -> str:
    """Write nan into empty cells, which numpy's parser does not accept."""
    if ",," in text:
        text = text.replace(",,", ",nan,").replace(",,", ",nan,")
    if ",\n" in text:
        text = text.replace(",\n", ",nan\n")
    if "\n," in text:
        text = text.replace("\n,", "\nnan,")
    return "nan" + text if text.startswith(",") else text


def quoted(cell: str) -> str:
    """Return a cell as it may be shown: short, and without control characters."""
    shown = cell if len(cell) <= _SHOWN else cell[:_SHOWN] + "…"
    return "“" + "".join(c if c.isprintable() else "�" for c in shown) + "”"
