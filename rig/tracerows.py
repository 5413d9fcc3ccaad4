"""The rows of a trace file: text in, checked columns out, every mistake told with its line.

numpy's own parser reads clean text fast; whatever it refuses is read again cell by cell, which
either finds the mistake or accepts what the fast way does not know (quoted cells, spaces).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from rig.analysis.trace import FloatArray
from rig.tracecells import (
    FEEDS,
    REQUIRED,
    Header,
    TraceFileError,
    cells_of,
    lost_as_nan,
    number_in,
    quoted,
)

_ALLOWED = {
    "time_s": "seconds with a decimal point, as 12.5 or 1.25e1",
    "current_a": "amperes with a decimal point, or nothing or nan for a lost sample",
    "voltage_v": "volts with a decimal point, or nothing or nan for a lost sample",
    "battery_feed": "0 (off) and 1 (made)",
    "ignition_feed": "0 (off) and 1 (made)",
}


class Rows:
    """Collects the rows of one file, given as pieces of whole lines."""

    def __init__(self, file_name: str) -> None:
        self._file = file_name
        self._line = 0  # lines taken so far
        self._header: Header | None = None
        self._used: tuple[int, ...] | None = None  # columns that hold numbers
        self._blocks: list[list[NDArray[Any]]] = []
        self._last_time = -np.inf
        self._last_line = 0

    def add(self, text: str) -> None:
        """Take a piece of the file: whole lines ended by newlines."""
        if self._header is None:
            text = self._take_header(text)
        if text and not text.isspace():
            self._take_rows(text)
        self._line += text.count("\n")

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the columns by name: feeds as booleans, all others as float64.

        Further columns without numbers are all NaN.  TraceFileError if there were no rows.
        """
        if self._header is None or self._used is None:
            what = "the file is empty" if self._header is None else "there are no rows"
            raise TraceFileError(
                f"{self._file}: {what}; a header and at least one row of samples are needed"
            )
        named = {
            self._header.names[at]: np.concatenate([block[i] for block in self._blocks])
            for i, at in enumerate(self._used)
        }
        rows = len(named["time_s"])
        return {
            name: named[name] if name in named else np.full(rows, np.nan)
            for name in self._header.names
            if name
        }

    # --- header -------------------------------------------------------------------------------

    def _take_header(self, text: str) -> str:
        while text:
            line, _, text = text.partition("\n")
            self._line += 1
            if line.strip():
                self._header = Header.read(line, f"{self._file}, line {self._line}")
                break
        return text

    # --- rows ---------------------------------------------------------------------------------

    def _take_rows(self, text: str) -> None:
        assert self._header is not None
        if self._used is None:
            self._used = self._number_columns(text)
        block = self._fast(text)
        if block is None:
            block = self._slow(text)
        names = [self._header.names[at] for at in self._used]
        columns = dict(zip(names, block.T, strict=True))
        self._check(columns, text)
        self._blocks.append(
            [column == 1 if name in FEEDS else column.copy() for name, column in columns.items()]
        )

    def _number_columns(self, text: str) -> tuple[int, ...]:
        # A further column whose first cell is no number is text, and kept as NaN throughout.
        assert self._header is not None
        number, line = next(self._lines(text))
        cells = self._row(number, line)
        return tuple(
            at
            for at, name in enumerate(self._header.names)
            if name in REQUIRED or (name and number_in(cells[at]) is not None)
        )

    def _fast(self, text: str) -> FloatArray | None:
        """Return the numbers in ``text``, or None if it takes a closer look."""
        assert self._header is not None
        assert self._used is not None
        if '"' in text:
            return None
        width = len(self._header.names)
        lines = lost_as_nan(text).split("\n")
        partly = len(self._used) < width
        if partly and {line.count(",") for line in lines if line} != {width - 1}:
            return None  # loadtxt does not count the cells when it is told which to use
        try:
            block: FloatArray = np.loadtxt(
                lines,
                delimiter=",",
                comments=None,
                ndmin=2,
                usecols=self._used if partly else None,
            )
        except ValueError:
            return None
        return block if block.shape[1] == len(self._used) else None

    def _slow(self, text: str) -> FloatArray:
        assert self._header is not None
        assert self._used is not None
        wanted = [(at, self._header.names[at]) for at in self._used]
        rows = []
        for number, line in self._lines(text):
            cells = self._row(number, line)
            rows.append([self._value(number, name, cells[at]) for at, name in wanted])
        return np.array(rows, dtype=np.float64)

    def _value(self, line: int, name: str, cell: str) -> float:
        value = number_in(cell)
        if value is None:
            if name in REQUIRED:
                self._refuse(line, name, f"{quoted(cell)} is not a number")
            return np.nan
        return value

    def _row(self, number: int, line: str) -> list[str]:
        assert self._header is not None
        where = f"{self._file}, line {number}"
        cells, width = cells_of(line, where), len(self._header.names)
        if len(cells) == width:
            return cells
        hint = " Is there a decimal comma? Write decimals with a point." * (len(cells) > width)
        raise TraceFileError(
            f"{where}: {len(cells)} cells where the header names {width} columns. "
            f"Every row needs one cell a column.{hint}"
        )

    def _lines(self, text: str) -> Iterator[tuple[int, str]]:
        """Yield every line that is not blank, with its number in the file."""
        for number, line in enumerate(text.split("\n"), self._line + 1):
            if line and not line.isspace():
                yield number, line

    # --- what numbers are allowed -------------------------------------------------------------

    def _check(self, columns: dict[str, FloatArray], text: str) -> None:
        """Refuse numbers that cannot be; remember the last time for the next piece."""
        time_s = columns["time_s"]
        before = np.concatenate([[self._last_time], time_s[:-1]])
        wrong = {
            "time_s": ~np.isfinite(time_s) | ~(time_s > before),
            "current_a": np.isinf(columns["current_a"]),
            "voltage_v": np.isinf(columns["voltage_v"]),
            **{name: (columns[name] != 0) & (columns[name] != 1) for name in FEEDS},
        }
        firsts = {name: int(np.argmax(bad)) for name, bad in wrong.items() if bad.any()}
        if firsts:
            name = min(firsts, key=lambda key: firsts[key])
            self._refuse_row(name, firsts[name], columns, before, text)
        self._last_time = float(time_s[-1])
        self._last_line = self._line + 1 + text.rstrip().count("\n")

    def _refuse_row(
        self,
        name: str,
        row: int,
        columns: dict[str, FloatArray],
        before: FloatArray,
        text: str,
    ) -> NoReturn:
        numbers = [number for number, _ in self._lines(text)]
        line = numbers[row]
        value = float(columns[name][row])
        if name == "time_s" and np.isfinite(value):
            previous = numbers[row - 1] if row else self._last_line
            raise TraceFileError(
                f"{self._file}, line {line}, column time_s: {value!r} does not come after "
                f"{float(before[row])!r} on line {previous}; times must increase from row to row"
            )
        what = "the cell is empty or nan" if np.isnan(value) else f"{value:g} is not allowed"
        self._refuse(line, name, what)

    def _refuse(self, line: int, name: str, what: str) -> NoReturn:
        raise TraceFileError(
            f"{self._file}, line {line}, column {name}: {what}; allowed are {_ALLOWED[name]}"
        )
