"""The trace file: CSV, UTF-8, one row a sample.

Header ``time_s,current_a,voltage_v,battery_feed,ignition_feed``: seconds from any origin and
increasing, amperes and volts (empty or ``nan`` = a lost sample), 0 or 1, 0 or 1.  Columns may
stand in any order.  Further columns are kept (``Trace.extra``) and not used; their cells that are
not numbers become NaN.  One of them is ours: ``sensor_flags`` (0-255) holds ``Trace.flags``.
A name ending in ``.gz`` is compressed, ``-`` is standard input or output.
"""

from __future__ import annotations

import csv
import gzip
import io
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
from numpy.typing import NDArray

from rig.analysis.trace import FloatArray, Trace
from rig.tracecells import REQUIRED, TraceFileError
from rig.tracerows import Rows
from rig.wholefile import whole_file

__all__ = ["FLAGS", "REQUIRED", "TraceFileError", "read_trace", "write_trace"]

FLAGS = "sensor_flags"

MAX_BYTES = 4 << 30
"""Longest text read, in bytes: some 30 h at 1 kHz, more than most computers hold in memory."""

_CHUNK = 8 << 20  # bytes read at a time: large enough for speed, small beside the arrays made
_LONGEST_LINE = 1 << 20  # bytes; a row of a thousand columns has some 20 kB
_ROWS = 1 << 16  # rows written at a time
_GZIP = b"\x1f\x8b"  # RFC 1952, section 2.3.1
_UTF16 = (b"\xff\xfe", b"\xfe\xff")  # its byte order marks


def read_trace(path: Path | str, *, max_bytes: int | None = None) -> Trace:
    """Read a trace file; its text, unpacked, may have ``max_bytes`` (None: `MAX_BYTES`).

    Raises TraceFileError naming file, line and column, what is wrong and what is allowed.
    """
    name = "standard input" if str(path) == "-" else str(path)
    rows = Rows(name)
    with _told(name, "read", _NO_FILE), _reading(path) as file:
        for text in _pieces(file, name, MAX_BYTES if max_bytes is None else max_bytes):
            rows.add(text)
        return _trace(rows.columns())


def write_trace(path: Path | str, trace: Trace) -> None:
    """Write a trace file; reading it back gives the same numbers, bit for bit (NaN is NaN).

    A file appears whole or not at all.  Raises TraceFileError if it cannot be written, or if the
    trace holds what a trace file cannot: no samples, infinite times, currents or voltages.
    """
    name = "standard output" if str(path) == "-" else str(path)
    _refuse_unwritable(trace, name)
    with _told(name, "written", _NO_FOLDER), _writing(path) as file:
        file.write(_header_line(trace))
        for first in range(0, len(trace), _ROWS):
            file.write(_row_lines(trace.rows(first, first + _ROWS)).encode())


# --- reading ----------------------------------------------------------------------------------


@contextmanager
def _reading(path: Path | str) -> Iterator[IO[bytes]]:
    if str(path) == "-":
        yield _unpacked(sys.stdin.buffer)
        return
    with Path(path).open("rb") as file:
        yield _unpacked(file)


def _unpacked(file: Any) -> IO[bytes]:
    # By its first bytes, not by its name: standard input has none, and names are changed.
    buffered = file if hasattr(file, "peek") else io.BufferedReader(file)
    packed = buffered.peek(2)[:2] == _GZIP
    return cast(IO[bytes], gzip.GzipFile(fileobj=buffered) if packed else buffered)


def _pieces(file: IO[bytes], name: str, max_bytes: int) -> Iterator[str]:
    """Yield the text in pieces of whole lines, with newlines as line ends and no BOM."""
    size = lines = 0
    while piece := file.read(_CHUNK) + file.readline(_LONGEST_LINE):
        if not size:
            if piece.startswith(_UTF16):
                raise TraceFileError(f"{name}: this is UTF-16 text; save it as UTF-8")
            piece = piece.removeprefix(b"\xef\xbb\xbf")
        size += len(piece)
        if size > max_bytes:
            raise TraceFileError(
                f"{name}: the file is larger than {max_bytes / 2**30:.3g} GiB; cut it into parts"
            )
        if len(piece) >= _CHUNK + _LONGEST_LINE and not piece.endswith(b"\n"):
            line = lines + piece.count(b"\n") + 1
            raise TraceFileError(
                f"{name}, line {line}: this line does not end within {_LONGEST_LINE >> 20} MiB; "
                "write one row of samples a line, each ended by a newline"
            )
        text = _decoded(piece, name, lines)
        if "\r" in text:
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        lines += text.count("\n")
        yield text if text.endswith("\n") else text + "\n"


def _decoded(piece: bytes, name: str, lines: int) -> str:
    try:
        return piece.decode()
    except UnicodeDecodeError as error:
        line = lines + piece[: error.start].count(b"\n") + 1
        raise TraceFileError(
            f"{name}, line {line}: this is not UTF-8 text; save the file as UTF-8"
        ) from error


def _trace(columns: dict[str, NDArray[Any]]) -> Trace:
    time_s, current_a, voltage_v, battery, ignition = (columns.pop(name) for name in REQUIRED)
    flags = columns.get(FLAGS)
    if flags is not None and np.isin(flags, np.arange(256)).all():
        flags = columns.pop(FLAGS).astype(np.uint8)
    else:
        flags = None  # somebody else's column of that name
    return Trace(time_s, current_a, voltage_v, battery, ignition, flags, columns)


# --- writing ----------------------------------------------------------------------------------


def _refuse_unwritable(trace: Trace, name: str) -> None:
    if not len(trace):
        raise TraceFileError(f"{name}: the trace has no samples; there is nothing to write")
    if not np.isfinite(trace.time_s).all():
        raise TraceFileError(f"{name}: a time of the trace is not finite")
    if np.isinf(trace.current_a).any() or np.isinf(trace.voltage_v).any():
        raise TraceFileError(f"{name}: a current or voltage of the trace is infinite")
    for column in trace.extra:
        if column in (*REQUIRED, FLAGS) or not column or column != column.strip():
            raise TraceFileError(f"{name}: a further column cannot be named “{column}”")
        if not column.isprintable():
            raise TraceFileError(f"{name}: a further column's name has control characters")


def _header_line(trace: Trace) -> bytes:
    flags = () if trace.flags is None else (FLAGS,)
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow([*REQUIRED, *flags, *trace.extra])
    return text.getvalue().encode()


def _row_lines(trace: Trace) -> str:
    columns = [_texts(column) for column in (trace.time_s, trace.current_a, trace.voltage_v)]
    columns += [_feed_texts(trace.battery_feed), _feed_texts(trace.ignition_feed)]
    if trace.flags is not None:
        columns.append([str(flag) for flag in trace.flags.tolist()])
    columns += [_texts(column) for column in trace.extra.values()]
    return "".join([",".join(row) + "\n" for row in zip(*columns, strict=True)])


def _texts(column: FloatArray) -> list[str]:
    """Return the shortest text that reads back as the same float64; nothing for NaN."""
    # By bit pattern, since 0.0 == -0.0.  A sensor has few codes: most texts are made once.
    patterns, index = np.unique(np.ascontiguousarray(column).view(np.int64), return_inverse=True)
    texts = ["" if x != x else repr(x) for x in patterns.view(np.float64).tolist()]
    return [texts[i] for i in index.tolist()]


def _feed_texts(feed: NDArray[np.bool_]) -> list[str]:
    return ["1" if on else "0" for on in feed.tolist()]


@contextmanager
def _writing(path: Path | str) -> Iterator[IO[bytes]]:
    if str(path) == "-":
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    path = Path(path)
    with whole_file(path) as file:
        if path.suffix == ".gz":
            # No time and no name inside: the same trace makes the same file.
            with gzip.GzipFile("", "wb", 6, file, mtime=0) as packed:
                yield cast(IO[bytes], packed)
        else:
            yield file


_NO_FILE = (
    "file; see its name and folder. `halfturn records export RUN --trace FILE` writes the trace of "
    "a recorded run"
)
_NO_FOLDER = "folder; make it, or name another"


@contextmanager
def _told(name: str, done: str, lacking: str) -> Iterator[None]:
    """Turn an error of the file system or of the packing into a TraceFileError."""
    try:
        yield
    except BrokenPipeError:
        raise  # the reader of our output went away: not a mistake in a trace
    except (gzip.BadGzipFile, zlib.error, EOFError) as error:
        raise TraceFileError(
            f"{name}: the compressed file is damaged or cut off; copy or export it again"
        ) from error
    except MemoryError as error:
        raise TraceFileError(
            f"{name}: the trace is larger than this computer's memory; cut it into parts"
        ) from error
    except FileNotFoundError as error:
        raise TraceFileError(f"{name}: there is no such {lacking}") from error
    except IsADirectoryError as error:
        raise TraceFileError(
            f"{name}: this is a folder, not a trace file; name the file in it"
        ) from error
    except OSError as error:
        raise TraceFileError(
            f"{name}: it could not be {done}: {error.strerror}. See that you may use the file and "
            "its folder, and that the disk has room."
        ) from error
