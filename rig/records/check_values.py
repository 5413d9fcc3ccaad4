"""Is every value in a table one that the program can read?  SQLite itself would take any."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import JSON, Boolean, Column, Date, Double, Integer, LargeBinary, String, Uuid

from rig.records.columns import UtcDateTime, Word

Check = Callable[[Any], bool]

_OBJECTS = ("answers", "backend_facts", "golden", "lateness")  # a list would not be read there


def check_of(column: Column[Any]) -> Check:
    """Return what tells whether a stored value fits ``column``; text comes as bytes."""
    fits = _is_object if column.name in _OBJECTS else _fits(column.type)
    if column.nullable:
        return lambda value: value is None or fits(value)
    return fits


def _fits(kind: Any) -> Check:
    match kind:
        case Word():
            words = {str(member.value).encode() for member in kind.kind}
            return lambda value: value in words
        case UtcDateTime():
            return lambda value: _is(datetime.fromisoformat, value)
        case Date():
            return lambda value: _is(date.fromisoformat, value)
        case JSON():
            return lambda value: _is(json.loads, value)
        case Uuid():
            return lambda value: _is(UUID, value)
        case String():
            return lambda value: _is(str, value)
        case LargeBinary():
            return lambda value: isinstance(value, bytes)
        case Boolean():
            return lambda value: value in (0, 1)
        case Integer():
            return lambda value: isinstance(value, int)
        case _ if isinstance(getattr(kind, "impl", kind), Double):
            return lambda value: isinstance(value, int | float)
    raise TypeError(f"no check for the column type {kind!r}")


def _is_object(value: object) -> bool:
    return _is(json.loads, value) and isinstance(json.loads(value), dict)  # type: ignore[arg-type]


def _is(read: Callable[[str], object], value: object) -> bool:
    """Tell whether ``read`` takes ``value``, which must be UTF-8 text."""
    if not isinstance(value, bytes):
        return False
    try:
        read(value.decode())
    except (ValueError, RecursionError):
        return False
    return True
