"""From the cells of an export back to the values that the records keep; a wrong one is told."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from rig.exchange.fields import Field, Kind
from rig.labels import shown

_KEY = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?(e[+-]?[0-9]+)?")
_WHOLE = re.compile(r"-?[0-9]{1,19}")
_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z")
_LARGEST = 2**63


class CellError(ValueError):
    """A cell is not what its column holds; the message says what it is and what is wanted."""


def _refuse(value: object, wanted: str) -> CellError:
    return CellError(f"“{shown(str(value))}” is not {wanted}")


def key(value: Any) -> UUID:
    """Return a UUID written as an export does."""
    if not isinstance(value, str) or not _KEY.fullmatch(value):
        raise _refuse(value, "a key, as 6a1f0000-0000-4000-8000-000000000001")
    return UUID(value)


def whole(value: Any) -> int:
    """Return a whole number that a database holds."""
    text = str(value)
    if isinstance(value, bool) or not _WHOLE.fullmatch(text) or abs(int(text)) >= _LARGEST:
        raise _refuse(value, "a whole number")
    return int(text)


def number(text: str) -> float:
    """Return a number from its text; NaN and INF are Table Schema's words."""
    match text:
        case "NaN":
            return math.nan
        case "INF" | "-INF":
            return math.inf if text == "INF" else -math.inf
    if not _NUMBER.fullmatch(text):
        raise _refuse(text, "a number with a decimal point")
    return float(text)


def flag(text: str) -> bool:
    """Return true or false from its text."""
    if text not in ("true", "false"):
        raise _refuse(text, "true or false")
    return text == "true"


def moment(text: str) -> datetime:
    """Return a moment, naive in UTC as the records keep it."""
    if not _MOMENT.fullmatch(text):
        raise _refuse(text, "a moment, as 2026-03-02T08:15:30.000000Z")
    try:
        return datetime.fromisoformat(text.removesuffix("Z"))
    except ValueError:
        raise _refuse(text, "a moment, as 2026-03-02T08:15:30.000000Z") from None


def day(text: str) -> date:
    """Return a day."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise _refuse(text, "a day, as 2026-03-02") from None


def json_value(text: Any) -> Any:
    """Return what JSON holds: an object or a list."""
    try:
        made = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        raise _refuse(text, "JSON") from None
    if not isinstance(made, dict | list):
        raise _refuse(text, "an object or a list of JSON")
    return made


def text(cell: str) -> str:
    """Return free text without the apostrophe that keeps a spreadsheet from running it."""
    return cell.removeprefix("'")


FROM_CSV: dict[Kind, Callable[[str], Any]] = {
    Kind.TEXT: text,
    Kind.KEY: key,
    Kind.WHOLE: whole,
    Kind.NUMBER: number,
    Kind.NUMBER_OR_NAN: number,
    Kind.FLAG: flag,
    Kind.MOMENT: moment,
    Kind.DAY: day,
    Kind.JSON: json_value,
}
"""By kind what reads a CSV cell that is not empty."""


def _naive(value: datetime) -> datetime:
    return value.astimezone(UTC).replace(tzinfo=None)


def _same(value: Any) -> Any:
    return value


FROM_PARQUET: dict[Kind, Callable[[Any], Any]] = {
    Kind.TEXT: _same,
    Kind.KEY: key,
    Kind.WHOLE: whole,
    Kind.NUMBER: _same,
    Kind.NUMBER_OR_NAN: _same,
    Kind.FLAG: _same,
    Kind.MOMENT: _naive,
    Kind.DAY: _same,
    Kind.JSON: json_value,
}
"""By kind what reads a value of a Parquet column that is not null."""


def kept(field: Field, value: Any) -> Any:
    """Return a value as the records keep it: NaN as nothing; a word must be one that there is."""
    if field.words and value not in field.words and value is not None:
        raise _refuse(value, f"one of {', '.join(field.words)}")
    if value is None:
        if not field.optional and field.kind is not Kind.NUMBER_OR_NAN:
            raise CellError("it is empty, and must hold something")
        return None
    if isinstance(value, float) and math.isnan(value):
        if field.kind is not Kind.NUMBER_OR_NAN:
            raise _refuse("NaN", "a number")
        return None
    return value
