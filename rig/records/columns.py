"""Column types: aware UTC times, words of enumerations, and floats that may be NaN."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from typing import TypeVar

from sqlalchemy import DateTime, Double, String
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

E = TypeVar("E", bound=StrEnum)

NOT_KNOWN = "not known"


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


@cache
def not_known(kind: type[E]) -> E:
    """Return what stands for a word that is none of ``kind``'s: of that kind, but no member.

    It reads "not known", equals no member, and cannot be written into the records.
    """
    word = str.__new__(kind, NOT_KNOWN)
    word._name_ = word._value_ = NOT_KNOWN
    return word


class Word(TypeDecorator[StrEnum]):
    """A member of a ``StrEnum``, kept as its value in plain text.

    No CHECK constraint: on SQLite a new member would mean rebuilding the table.  A word that this
    program does not know, of a newer one, is read as `not_known`: one odd row hides no others.
    """

    impl = String
    cache_ok = True

    def __init__(self, kind: type[StrEnum]) -> None:
        super().__init__(20)
        self.kind = kind

    def process_bind_param(self, value: StrEnum | None, dialect: Dialect) -> str | None:
        """Return the word; ValueError if it is none of the enumeration's."""
        return None if value is None else str(self.kind(value))

    def process_result_value(self, value: str | None, dialect: Dialect) -> StrEnum | None:
        """Return the member, or `not_known`."""
        if value is None:
            return None
        known: StrEnum | None = next((word for word in self.kind if word == value), None)
        return known or not_known(self.kind)
