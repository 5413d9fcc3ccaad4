"""The checksum of a run: SHA-256 over a canonical JSON of its record, its traces included.

Covered is the judged run: what was tested, by which plan, on which rig (both texts whole), every
step with its measures, half-turns, answers and trace, what happened during it, how it ended and
why.  Not covered are the notes written afterwards (they have no time in the run) and what a file
system knows (which process ran it, row numbers, how a trace is packed).

Canonical form 1.  RFC 8785 (JSON Canonicalization Scheme: no white space, members sorted by
UTF-16 code units, UTF-8), with these rules before it:

- a number with a fraction is text, its IEEE 754 value in C's hexadecimal (`float.hex`); so is a
  whole number beyond 2**53, in decimal;
- a date is ISO 8601 in UTC with microseconds, an identifier its 36 characters;
- a field of the record that holds nothing (null, an empty text, list or object) is left out, so
  that a field added in later years leaves the checksums of older runs as they are;
- a trace is the SHA-256 of its columns: for each its name, kind and number of rows (8 bytes,
  little-endian), each text ended by a zero byte, then its values (IEEE 754 doubles or bytes,
  little-endian).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from enum import Enum
from typing import Any
from uuid import UUID

from rig.analysis.trace import Trace
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
        "steps": [
            {**_plain(step), **({"trace": traces[step.number]} if step.number in traces else {})}
            for step in record.steps
        ],
        "events": [_plain(event) for event in record.events if not is_later(event)],
    }
    if record.end is not None:
        whole["end"] = _plain(record.end)
    return _written(whole)


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
    match value:
        case Enum():
            return str(value.value)
        case None | str() | bool():
            return value
        case int():
            return value if abs(value) <= _SAFE else str(value)
        case float():
            return value.hex() if math.isfinite(value) else str(value)
        case datetime():
            return value.astimezone(UTC).isoformat(timespec="microseconds")
        case UUID():
            return str(value)
        case Mapping():
            return {str(key): _plain(item) for key, item in value.items()}
        case list() | tuple():
            return [_plain(item) for item in value]
    assert is_dataclass(value)
    named = {field.name: getattr(value, field.name) for field in fields(value)}
    return {
        name: _plain(item)
        for name, item in named.items()
        if not (item is None or isinstance(item, Trace) or item in ("", (), {}))
    }


def _written(value: Any) -> str:
    """Return ``value`` (texts, whole numbers, truth values, lists, objects) by RFC 8785."""
    if isinstance(value, dict):
        names = sorted(value, key=lambda name: name.encode("utf-16-be", "surrogatepass"))
        return "{" + ",".join(f"{_written(n)}:{_written(value[n])}" for n in names) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(_written, value)) + "]"
    return json.dumps(value, ensure_ascii=False)
