"""Looking on at a world apart, without its pins: what truly happened there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drivers import BackendError

from .client import WorldLink
from .record import Entry

PATIENCE_S = 60.0  # whoever looks on has time, and a machine may be busy


class Observer:
    """Reads the record of the world in ``folder``; a context manager.

    Raises BackendError if there is no world there or nothing has begun in it.
    """

    def __init__(self, folder: Path) -> None:
        self._link = WorldLink(folder, PATIENCE_S)
        self._next = 0

    def _order(self, do: str, **what: Any) -> dict[str, Any]:
        answer = self._link.order(do, **what)
        if "refused" in answer:
            raise BackendError(answer["refused"])
        return answer

    def news(self) -> list[Entry]:
        """Return what was entered into the record since this was asked last."""
        found: list[Entry] = []
        while True:
            told = self._order("record", since=self._next)
            self._next = told["next"]
            if not told["entries"]:
                return found
            found += [Entry(*entry) for entry in told["entries"]]

    def state(self) -> dict[str, Any]:
        """Return ``now_s`` (CLOCK_MONOTONIC) and how things stand then.

        ``on``: by the names of `Entry`; ``angle_deg`` and ``feed_a`` by station.
        """
        return self._order("state")

    def do(self, action: str, **detail: Any) -> str:
        """Have the hands at the jig do something."""
        return str(self._order("hands", action=action, detail=detail)["did"])

    def close(self) -> None:
        """Hang up.  Idempotent."""
        self._link.close()

    def __enter__(self) -> Observer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
