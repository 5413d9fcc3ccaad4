"""The checksum of a run: SHA-256 over a canonical JSON of its record, its traces included.

Covered is the judged run: what was tested, by which plan, on which rig (both texts whole), every
step with its measures, half-turns, answers and trace, what happened during it, how it ended and
why.  Not covered are the notes written afterwards (they have no time in the run) and what a file
system knows (which process ran it, row numbers, how a trace is packed).

Canonical form 1.  RFC 8785 (JSON Canonicalization Scheme: no white space, members sorted by
UTF-16 code units, UTF-8), with these rules before it:

- a number with a fraction is text, its IEEE 754 value in C's hexadecimal (`float.hex`); so is a
  whole number beyond 2**53, in decimal;
- a moment is ISO 8601 in UTC with microseconds, a day without, an identifier its 36 characters;
- a field of the record that holds nothing (null, an empty text, list or object) is left out, so
  that a field added in later years leaves the checksums of older runs as they are;
- what a calibration's points leave over of their line (``residuals``) is not kept, and worked out
  here: reference - gain * (reading - offset), in doubles and in this order;
- a trace is the SHA-256 of its columns: for each its name, kind and number of rows (8 bytes,
  little-endian), each text ended by a zero byte, then its values (IEEE 754 doubles or bytes,
  little-endian).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sized
from dataclasses import fields
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache
from typing import Any
from uuid import UUID

from rig.analysis.trace import Trace
from rig.quality.calibration import Line
from rig.records.codec import columns_of
from rig.records.model import RunEvent, RunRecord

FORM = 1
"""The canonical form; another one gets another number, and this one stays readable."""

NO_TRACE = "damaged"
"""What stands for a trace that can no longer be read."""

_SAFE = 2**53


def checksum_of(record: RunRecord, traces: Mapping[int, str]) -> str:
    """Return the checksum in hexadecimal; ``traces`` holds `trace_sum` by the step's number."""
    return hashlib.sha256(
        canonical_text(record, traces).encode("utf-8", "surrogatepass")
    ).hexdigest()


def canonical_text(record: RunRecord, traces: Mapping[int, str]) -> str:
    """Return the record in canonical form."""
    whole = {
        "form": FORM,
        "run_id": _plain(record.run_id),
        "start": _plain(record.start),
        "steps": [_with_trace(_plain(step), traces.get(step.number)) for step in record.steps],
        "events": [_plain(event) for event in record.events if not is_later(event)],
    }
    if record.end is not None:
        whole["end"] = _plain(record.end)
    # Members are in their order already; what Python escapes in texts is what RFC 8785 asks for.
    return json.dumps(_ordered(whole), ensure_ascii=False, separators=(",", ":"))


def _with_trace(step: dict[str, Any], summed: str | None) -> dict[str, Any]:
    return step if summed is None else _ordered({**step, "trace": summed})


def is_later(event: RunEvent) -> bool:
    """Tell whether an event is a note written after the run, which its checksum leaves out."""
    return event.kind == "note" and math.isnan(event.time_s)


def trace_sum(trace: Trace) -> str:
    """Return the SHA-256 (hexadecimal) of a trace's content, however it is packed."""
    digest = hashlib.sha256()
    for name, kind, data in columns_of(trace):
        digest.update(name.encode() + b"\0" + kind.encode() + b"\0")
        digest.update(len(data).to_bytes(8, "little"))
        digest.update(data.tobytes())
    return digest.hexdigest()


def _plain(value: Any) -> Any:
    """Return ``value`` as texts, whole numbers, truth values, lists and objects in their order."""
    match value:
        case None | bool():
            return value
        case float():
            return value.hex() if math.isfinite(value) else str(value)
        case Enum():
            return str(value.value)
        case str():
            return value
        case int():
            return value if abs(value) <= _SAFE else str(value)
        case datetime():
            return value.astimezone(UTC).isoformat(timespec="microseconds")
        case date():
            return value.isoformat()
        case UUID():
            return str(value)
        case Mapping():
            return _ordered({str(key): _plain(item) for key, item in value.items()})
        case list() | tuple():
            return [_plain(item) for item in value]
    held = {name: getattr(value, name) for name in _names(value.__class__)}
    if isinstance(value, Line):
        held["residuals"] = _left_over(value)
    return {name: _plain(item) for name, item in held.items() if not _is_nothing(item)}


def _left_over(line: Line) -> tuple[float, ...]:
    """Return a line's residuals by the rule of form 1, whatever the program makes of them today."""
    gain, offset = line.correction.gain, line.correction.offset
    return tuple(point.reference - gain * (point.reading - offset) for point in line.points)


def _is_nothing(item: Any) -> bool:
    """Tell whether a field holds nothing, or a trace, whose sum stands in its place."""
    return item is None or isinstance(item, Trace) or (isinstance(item, Sized) and not len(item))


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(sorted(field.name for field in fields(kind)))


def _ordered(members: dict[str, Any]) -> dict[str, Any]:
    """Return the members in the order of RFC 8785: by the UTF-16 code units of their names."""
    order = sorted(members, key=lambda name: name.encode("utf-16-be", "surrogatepass"))
    return {name: members[name] for name in order}
