"""Column types: aware UTC times, enumerations kept by value, and floats that may be NaN."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import DateTime, Double, Enum
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

E = TypeVar("E", bound=StrEnum)


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC and given back in UTC (SQLite itself drops the zone).

    Raises ValueError for a naive time: which zone it meant cannot be known afterwards.
    """

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the time in UTC, without its zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"the time {value} has no time zone")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Return the time with its zone, UTC."""
        return None if value is None else value.replace(tzinfo=UTC)


class NanFloat(TypeDecorator[float]):
    """A float that may be NaN: SQLite has no NaN and keeps NULL in its place."""

    impl = Double
    cache_ok = True

    def process_bind_param(self, value: float | None, dialect: Dialect) -> float | None:
        """Return None for NaN."""
        return None if value is None or math.isnan(value) else value

    def process_result_value(self, value: float | None, dialect: Dialect) -> float:
        """Return NaN for NULL."""
        return math.nan if value is None else value


def by_value(kind: type[E]) -> Enum:
    """Return the column type that keeps a ``StrEnum`` as its value, in plain text.

    No CHECK constraint: on SQLite a new member would mean rebuilding the table.
    """

    def values(members: Any) -> list[str]:
        return [member.value for member in members]

    return Enum(kind, native_enum=False, create_constraint=False, length=20, values_callable=values)
