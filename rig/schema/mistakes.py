"""A mistake in a file the user writes, and the error that carries all of them at once."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from rig.schema.kinds import show

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,60}")  # anything else needs quotes in TOML too

KeyPath = tuple[str | int, ...]
"""Where a value stands in a TOML document; positions in a list count from 0."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: the file, the key in it, what is wrong and what is allowed.

    ``key`` is a dotted TOML path; tables of a list count from 1, as a reader does:
    ``step[3].count`` is the key ``count`` of the third ``[[step]]``.  ``line`` counts from 1;
    None if unknown.
    """

    file: str
    key: str
    wrong: str
    allowed: str
    line: int | None = None

    def __str__(self) -> str:
        where = [self.file]
        if self.line is not None:
            where.append(f"line {self.line}")
        if self.key:
            where.append(self.key)
        text = f"{', '.join(where)}: {self.wrong}"
        return f"{text}; allowed: {self.allowed}" if self.allowed else text


class MistakesError(ValueError):
    """A file cannot be used.  ``mistakes`` are all that were found; ``str()`` is one a line."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes: tuple[Mistake, ...] = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


@dataclass(frozen=True, slots=True)
class Clash:
    """Values that are right each by itself and contradict each other.

    ``keys``: all that take part, the one to be named first.  A clash is not told if any of its
    keys is wrong already, so that one mistake does not look like two.
    """

    keys: tuple[KeyPath, ...]
    wrong: str
    allowed: str


def key_text(path: KeyPath) -> str:
    """Return ``path`` as a user reads it: ``("step", 2, "count")`` is ``step[3].count``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if _BARE_KEY.fullmatch(part) else show(part)
            text += f".{name}" if text else name
    return text


def nearest(word: str, words: Iterable[str]) -> str | None:
    """Return the word of ``words`` most like ``word``, or None if none is like it."""
    found = difflib.get_close_matches(word, list(words), n=1)
    return found[0] if found else None
