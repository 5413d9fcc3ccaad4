"""Pack a trace without loss: every float64 comes back bit for bit, NaN payloads included.

Layout (format 1): ``HTRC``, a version byte, the header's length (4 bytes, little-endian), a
JSON header (rows; name, kind, method and packed size of each column), the packed columns, and the
SHA-256 of header, packed and *unpacked* columns: damage is noticed even in bits that zlib does
not use, and what is read is what was measured.

Neighbouring samples are alike: their 64-bit patterns are subtracted once or twice, or replaced
by numbers into a table of the patterns that occur (a sensor has few codes), and the bytes are
sorted by significance before zlib (RFC 1950).  The best method for a column is found on a sample.
"""

from __future__ import annotations

import hashlib
import json
import struct
import zlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.analysis.trace import Trace

MAGIC = b"HTRC"
VERSION = 1
_SAMPLE = 4096  # rows tried with each method: enough to rank them, short beside the packing
_PREFIX = struct.Struct("<4sBI")
_TABLE = struct.Struct("<I2s")

MOST_ROWS = 100_000_000
"""Samples of a trace, at most: some 28 h at 1 kHz, and what a large computer holds in memory."""

# What reading damaged bytes may raise before the checksum can tell.
_DAMAGE = (
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    OverflowError,
    MemoryError,
    struct.error,
    zlib.error,
)

Words = NDArray[np.uint64]


class CodecError(ValueError):
    """Packed data is damaged or of an unknown format."""


def pack(trace: Trace) -> bytes:
    """Return the trace in format 1."""
    columns, packed, digest = [], [], hashlib.sha256()
    for name, kind, data in columns_of(trace):
        method, blob = _pack_column(kind, data)
        columns.append({"name": name, "kind": kind, "method": method, "size": len(blob)})
        packed.append(blob)
        digest.update(blob)
        digest.update(data.data)
    header = json.dumps({"rows": len(trace), "columns": columns}).encode()
    digest.update(header)
    prefix = _PREFIX.pack(MAGIC, VERSION, len(header))
    return b"".join([prefix, header, *packed, digest.digest()])


def unpack(blob: bytes, *, most_rows: int = MOST_ROWS) -> Trace:
    """Return the trace; CodecError if the blob is damaged or of an unknown format.

    What says that it has more than ``most_rows`` is damaged: nothing is unpacked of it.
    """
    try:
        return _unpack(blob, most_rows)
    except CodecError:
        raise
    except _DAMAGE as error:
        raise CodecError("the trace is damaged") from error


def _unpack(blob: bytes, most_rows: int) -> Trace:
    magic, version, length = _PREFIX.unpack_from(blob)
    if magic != MAGIC or version != VERSION:
        raise CodecError("the trace is in a format that this program does not know")
    at = _PREFIX.size + length
    header = blob[_PREFIX.size : at]
    layout = json.loads(header)
    if not 0 <= layout["rows"] <= most_rows:
        raise CodecError("the trace says that it has more samples than any run")
    digest = hashlib.sha256()
    columns: dict[str, NDArray[Any]] = {}
    for column in layout["columns"]:
        packed = blob[at : at + column["size"]]
        data = _unpack_column(column, packed, layout["rows"])
        at += column["size"]
        digest.update(packed)
        digest.update(data.data)
        columns[column["name"]] = data
    digest.update(header)
    if digest.digest() != blob[at:]:
        raise CodecError("the trace's checksum does not match: it is damaged")
    return _trace(columns)


# --- the columns of a trace -------------------------------------------------------------------

_EXTRA = "extra:"


def columns_of(trace: Trace) -> Iterator[tuple[str, str, NDArray[Any]]]:
    """Yield name, kind ("f8", "u1" or "bool") and values of each column of a trace."""
    yield "time_s", "f8", _floats(trace.time_s)
    yield "current_a", "f8", _floats(trace.current_a)
    yield "voltage_v", "f8", _floats(trace.voltage_v)
    yield "battery_feed", "bool", np.ascontiguousarray(trace.battery_feed, dtype=np.bool_)
    yield "ignition_feed", "bool", np.ascontiguousarray(trace.ignition_feed, dtype=np.bool_)
    if trace.flags is not None:
        yield "flags", "u1", np.ascontiguousarray(trace.flags, dtype=np.uint8)
    for name, column in trace.extra.items():
        yield _EXTRA + name, "f8", _floats(column)


def _floats(column: NDArray[Any]) -> NDArray[np.float64]:
    return np.ascontiguousarray(column, dtype="<f8")


def _trace(columns: dict[str, NDArray[Any]]) -> Trace:
    extra = {
        name.removeprefix(_EXTRA): column
        for name, column in columns.items()
        if name.startswith(_EXTRA)
    }
    return Trace(
        columns["time_s"],
        columns["current_a"],
        columns["voltage_v"],
        columns["battery_feed"],
        columns["ignition_feed"],
        columns.get("flags"),
        extra,
    )


# --- one column -------------------------------------------------------------------------------


def _pack_column(kind: str, data: NDArray[Any]) -> tuple[str, bytes]:
    if kind == "bool":
        return "bits", zlib.compress(np.packbits(data).tobytes())
    if kind == "u1":
        return "bytes", zlib.compress(data.tobytes())
    words = data.view("<u8")
    sample = words[:_SAMPLE]
    method = min(_METHODS, key=lambda name: len(zlib.compress(_METHODS[name][0](sample), 1)))
    return method, zlib.compress(_METHODS[method][0](words))


def _unpack_column(column: dict[str, Any], blob: bytes, rows: int) -> NDArray[Any]:
    raw = _decompressed(blob, _TABLE.size + 12 * rows)  # what a table of all of them would have
    if column["kind"] == "bool":
        bits = np.frombuffer(raw, np.uint8)
        return np.unpackbits(bits, count=rows).astype(np.bool_)
    if column["kind"] == "u1":
        return np.frombuffer(raw, np.uint8).copy()
    return _METHODS[column["method"]][1](raw).view(np.float64)


def _decompressed(blob: bytes, most: int) -> bytes:
    """Return what zlib packed; CodecError if it is longer than ``most``: a few bytes can be."""
    packer = zlib.decompressobj()
    raw = packer.decompress(blob, most + 1)
    if len(raw) > most or not packer.eof:
        raise CodecError("the trace is damaged")
    return raw


def _shuffle(words: NDArray[Any]) -> bytes:
    return words.view(np.uint8).reshape(len(words), words.itemsize).T.tobytes()


def _unshuffle(raw: bytes, dtype: str) -> NDArray[Any]:
    size = np.dtype(dtype).itemsize
    planes = np.frombuffer(raw, np.uint8).reshape(size, -1)
    return np.ascontiguousarray(planes.T).view(dtype).reshape(-1)


def _differences(words: Words) -> Words:
    return np.diff(words, prepend=np.zeros(1, "<u8"))  # wraps around, and so does the sum


def _sums(words: Words) -> Words:
    return np.cumsum(words, dtype="<u8")


def _plain(words: Words) -> bytes:
    return _shuffle(words)


def _un_plain(raw: bytes) -> Words:
    return _unshuffle(raw, "<u8")


def _delta(words: Words) -> bytes:
    return _shuffle(_differences(words))


def _un_delta(raw: bytes) -> Words:
    return _sums(_unshuffle(raw, "<u8"))


def _delta2(words: Words) -> bytes:
    return _shuffle(_differences(_differences(words)))


def _un_delta2(raw: bytes) -> Words:
    return _sums(_sums(_unshuffle(raw, "<u8")))


def _table(words: Words) -> bytes:
    patterns, index = np.unique(words, return_inverse=True)
    width = "<u1" if len(patterns) <= 0x100 else "<u2" if len(patterns) <= 0x10000 else "<u4"
    start = _TABLE.pack(len(patterns), width[1:].encode())
    return start + _delta(patterns) + _shuffle(index.astype(width))


def _un_table(raw: bytes) -> Words:
    count, width = _TABLE.unpack_from(raw)
    end = _TABLE.size + 8 * count
    patterns = _un_delta(raw[_TABLE.size : end])
    index: NDArray[Any] = _unshuffle(raw[end:], "<" + width.decode())
    words: Words = patterns[index]
    return words


_METHODS: dict[str, tuple[Callable[[Words], bytes], Callable[[bytes], Words]]] = {
    "plain": (_plain, _un_plain),
    "delta": (_delta, _un_delta),
    "delta2": (_delta2, _un_delta2),
    "table": (_table, _un_table),
}
