"""On which line of a TOML text a key stands.

``tomllib`` does not tell.  Every statement of TOML (a table header, or a key with its value) is
complete TOML by itself, so the text is cut into statements with ``tomllib`` as the judge and each
one's keys are noted with the line it begins on.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from rig.schema.mistakes import KeyPath

_LONGEST = 400  # lines of one statement; beyond, look no further than line 1 of it
_MOST_READ = 1_000_000  # characters read again and again for it; beyond, lines are not worth it


class Lines:
    """Line numbers of the keys of a TOML text that is known to be valid."""

    def __init__(self, text: str) -> None:
        self._line_of: dict[KeyPath, int] = {}
        self._tables_seen: dict[KeyPath, int] = {}
        table: KeyPath = ()
        for line, statement, content in _statements(text):
            if statement.lstrip().startswith("["):
                table = self._header(content, line)
            else:
                self._keys(table, content, line)

    def of(self, path: KeyPath) -> int | None:
        """Return the line of ``path``, or of the nearest table around it; None for neither."""
        while path:
            if path in self._line_of:
                return self._line_of[path]
            path = path[:-1]
        return None

    def _header(self, content: dict[str, Any], line: int) -> KeyPath:
        """Note a ``[table]`` or ``[[table]]`` header; return the path that it opens."""
        path: KeyPath = ()
        value: Any = content
        while isinstance(value, dict) and value:
            name, value = next(iter(value.items()))
            path += (name,)
            if isinstance(value, list):  # a new table of the list
                number = self._tables_seen.get(path, 0)
                self._tables_seen[path] = number + 1
                self._line_of.setdefault(path, line)
                path += (number,)
                value = value[0]
            elif path in self._tables_seen:  # [station.battery_feed]: of the latest [[station]]
                path += (self._tables_seen[path] - 1,)
        self._line_of.setdefault(path, line)
        return path

    def _keys(self, table: KeyPath, content: dict[str, Any], line: int) -> None:
        """Note every key of a statement, inline tables included."""
        waiting: list[tuple[KeyPath, Any]] = [(table, content)]
        while waiting:
            path, value = waiting.pop()
            if isinstance(value, dict):
                items: Iterator[tuple[str | int, Any]] = iter(value.items())
            elif isinstance(value, list):
                items = iter(enumerate(value))
            else:
                continue
            for name, inner in items:
                # Beyond a handful of levels no file of ours has keys, and the paths get long.
                if len(path) < 8:
                    self._line_of.setdefault((*path, name), line)
                    waiting.append(((*path, name), inner))


def _statements(text: str) -> Iterator[tuple[int, str, dict[str, Any]]]:
    """Yield (first line, text, content) of each statement."""
    pending: list[str] = []
    read = 0
    # tomllib ends lines at \n (with or without \r) only, so no splitlines() here.
    for number, line in enumerate(text.split("\n"), start=1):
        pending.append(line)
        statement = "\n".join(pending)
        read += len(statement) if len(pending) > 1 else 0
        if read > _MOST_READ:
            return
        try:
            content = tomllib.loads(statement)
        except (ValueError, RecursionError):
            if len(pending) > _LONGEST:
                return
            continue
        if content:
            yield number - len(pending) + 1, statement, content
        pending = []
