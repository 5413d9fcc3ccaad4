"""JSON as PostgreSQL takes it: RFC 8259 has no NaN and no infinity, and Python writes them."""

from __future__ import annotations

import json
import math
from typing import Any

_MARK = "$number"


def json_text(value: Any) -> str:
    """Return ``value`` as JSON; a number that JSON has not becomes ``{"$number": "nan"}``."""
    try:
        return json.dumps(value, allow_nan=False)
    except ValueError:
        return json.dumps(_marked(value), allow_nan=False)


def json_value(kept: str | bytes) -> Any:
    """Return what `json_text` wrote."""
    text = kept.decode() if isinstance(kept, bytes) else kept
    return json.loads(text, object_hook=_unmarked if _MARK in text else None)


def _marked(value: Any) -> Any:
    match value:
        case float() if not math.isfinite(value):
            return {_MARK: str(value)}
        case dict():
            return {key: _marked(item) for key, item in value.items()}
        case list():
            return [_marked(item) for item in value]
    return value


def _unmarked(members: dict[str, Any]) -> Any:
    if members.keys() == {_MARK} and members[_MARK] in ("nan", "inf", "-inf"):
        return float(members[_MARK])
    return members
