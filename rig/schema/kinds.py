"""Kinds of value a file may hold.  Each knows its own check and says what it allows.

Pydantic's own types are not used for values because they coerce (``true`` to 1, ``"5"`` to 5) or
tell of one bound only; a kind refuses anything but what the file should hold and names the whole
range.  Use: ``Annotated[float, Number(6, 16, "V")]``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

MISTAKE = "mistake"
"""Type of the pydantic error that a kind raises; its context has ``wrong`` and ``allowed``."""

_SHOWN = 40  # characters of a text that a message repeats; enough to recognise it


class Section(BaseModel):
    """A table of a file: nothing but the declared keys, never changed once read."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    # Fields that the loader supplies (path of the file and the like), not the file.
    supplied: ClassVar[frozenset[str]] = frozenset()


def show(value: object) -> str:
    """Return ``value`` as its TOML would look, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        short = value if len(value) <= _SHOWN else value[:_SHOWN] + "..."
        return (
            '"'
            + "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in short)
            + '"'
        )
    if isinstance(value, int):
        # str() of a huge integer is refused by Python itself.
        return str(value) if value.bit_length() < 128 else "a huge whole number"
    if isinstance(value, float):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    for types, words in (
        (Mapping, "a table"),
        ((list, tuple), "a list"),
        ((date, time), "a date or time"),
    ):
        if isinstance(value, types):
            return words
    return f"a {type(value).__name__}"


def refusal(wrong: str, allowed: str) -> PydanticCustomError:
    """Return the error by which a kind refuses a value."""
    return PydanticCustomError(MISTAKE, "{wrong}", {"wrong": wrong, "allowed": allowed})


class Kind:
    """Base of the kinds; hands `check` to pydantic.

    A kind defines ``_check`` (return the value as kept, raise ``refusal``), ``_allowed`` and
    ``_sample``.
    """

    __slots__ = ()

    @property
    def allowed(self) -> str:
        """What the kind allows, in words that follow 'allowed:'."""
        return self._allowed()

    @property
    def sample(self) -> object:
        """Some value that the kind allows, as a file would hold it."""
        return self._sample()

    def check(self, value: Any) -> Any:
        """Return ``value`` as kept; raise ``refusal`` if it is not allowed."""
        return self._check(value)

    def holds(self, value: object) -> bool:
        """Whether ``value`` is allowed."""
        try:
            self._check(value)
        except PydanticCustomError:
            return False
        return True

    def _allowed(self) -> str:
        raise NotImplementedError

    def _sample(self) -> object:
        raise NotImplementedError

    def _check(self, value: Any) -> Any:
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._check)


@dataclass(frozen=True, slots=True)
class Number(Kind):
    """A finite number from ``low`` to ``high``, or one of ``only``.

    ``low`` itself is excluded if ``above``.
    """

    low: float
    high: float
    unit: str = ""
    above: bool = False
    only: tuple[float, ...] = ()

    def _allowed(self) -> str:
        if self.only:
            return f"one of {', '.join(f'{value:g}' for value in self.only)} {self.unit}".rstrip()
        start = f"above {self.low:g} and up to" if self.above else f"from {self.low:g} to"
        return f"a number {start} {self.high:g} {self.unit}".rstrip()

    def _sample(self) -> float:
        return self.high

    def _check(self, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(f"{show(value)} is not a number", self.allowed)
        if isinstance(value, float) and not math.isfinite(value):
            raise refusal(f"{show(value)} is not a finite number", self.allowed)
        if value > self.high:
            raise refusal(f"{show(value)} is too large", self.allowed)
        if value < self.low or (self.above and value == self.low):
            raise refusal(f"{show(value)} is too small", self.allowed)
        if self.only and value not in self.only:
            raise refusal(f"{show(value)} is none of them", self.allowed)
        return float(value)


@dataclass(frozen=True, slots=True)
class Whole(Kind):
    """A whole number from ``low`` to ``high``, or one of ``only``; shown in base 10 or 16."""

    low: int
    high: int
    unit: str = ""
    base: int = 10
    only: tuple[int, ...] = ()

    def _allowed(self) -> str:
        if self.only:
            return "one of " + ", ".join(map(self._shown, self.only))
        low, high = self._shown(self.low), self._shown(self.high)
        return f"a whole number from {low} to {high} {self.unit}".rstrip()

    def _sample(self) -> int:
        return self.only[0] if self.only else self.high

    def _shown(self, value: int) -> str:
        return f"0x{value:02X}" if self.base == 16 and 0 <= value < 2**16 else show(value)

    def _check(self, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise refusal(f"{show(value)} is not a whole number", self.allowed)
        if value > self.high:
            raise refusal(f"{self._shown(value)} is too large", self.allowed)
        if value < self.low:
            raise refusal(f"{self._shown(value)} is too small", self.allowed)
        if self.only and value not in self.only:
            raise refusal(f"{self._shown(value)} is none of them", self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class Flag(Kind):
    """True or false."""

    def _allowed(self) -> str:
        return "true or false, without quotes"

    def _sample(self) -> bool:
        return False

    def _check(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise refusal(f"{show(value)} is neither true nor false", self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class Text(Kind):
    """One line of printable text of up to ``longest`` characters; ``accepts`` may narrow it."""

    longest: int = 80
    empty: bool = False
    accepts: Callable[[str], bool] | None = None
    what: str = ""

    def _allowed(self) -> str:
        least = 0 if self.empty else 1
        return self.what or f"one line of text in quotes, {least} to {self.longest} characters"

    def _sample(self) -> str:
        return "?"

    def _check(self, value: Any) -> Any:
        if not isinstance(value, str):
            raise refusal(f"{show(value)} is not text", self.allowed)
        if not value.strip() and not self.empty:
            raise refusal("the text is empty", self.allowed)
        if len(value) > self.longest:
            raise refusal(f"{show(value)} is {len(value)} characters long", self.allowed)
        if not value.isprintable():
            raise refusal(f"{show(value)} has a character that cannot be printed", self.allowed)
        if self.accepts is not None and not self.accepts(value):
            raise refusal(f"{show(value)} is none of these", self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class PathText(Text):
    """Name of a folder; kept as a `Path`, with a leading ``~`` as the user's home."""

    longest: int = 1000
    what: str = "the path of a folder in quotes"

    def _check(self, value: Any) -> Any:
        # Spelt out: zero-argument super() does not work in a dataclass with slots.
        path = Path(Text._check(self, value))
        try:
            return path.expanduser()
        except RuntimeError:
            raise refusal(f"{show(value)} names a user there is not", self.allowed) from None


@dataclass(frozen=True, slots=True)
class Choice(Kind):
    """One of a few words."""

    words: tuple[str, ...]

    def _allowed(self) -> str:
        return "one of " + ", ".join(map(show, self.words))

    def _sample(self) -> str:
        return self.words[0]

    def _check(self, value: Any) -> str:
        if not isinstance(value, str) or value not in self.words:
            raise refusal(f"{show(value)} is not known", self.allowed)
        return value


@dataclass(frozen=True, slots=True)
class NameList(Kind):
    """A list of names out of a catalogue, each once; at least one unless ``may_be_empty``."""

    names: tuple[str, ...]
    what: str
    may_be_empty: bool = False

    def _allowed(self) -> str:
        return f"a list of {self.what} out of " + ", ".join(map(show, self.names))

    def _sample(self) -> list[str]:
        return list(self.names[:1])

    def _check(self, value: Any) -> tuple[str, ...]:
        if not isinstance(value, list | tuple):
            raise refusal(f"{show(value)} is not a list", self.allowed)
        if not value and not self.may_be_empty:
            raise refusal("the list is empty", self.allowed)
        unknown = [item for item in value if not isinstance(item, str) or item not in self.names]
        if unknown:
            verb = "is" if len(unknown) == 1 else "are"
            raise refusal(f"{', '.join(map(show, unknown))} {verb} not known", self.allowed)
        twice = sorted({item for item in value if value.count(item) > 1})
        if twice:
            raise refusal(f"{', '.join(map(show, twice))} stands in the list twice", self.allowed)
        return tuple(value)
