"""How far long work is, told on standard error."""

from __future__ import annotations

import sys
import time

from rig.commands.streams import tell

_SAY_AFTER_S = 1.0  # work that is over sooner tells nothing
_SHOW_EVERY_S = 0.1


class Meter:
    """Tells on standard error how far long work is: in place on a terminal, else once a kind."""

    def __init__(self) -> None:
        self._began_s = self._shown_s = time.monotonic()
        self._live = sys.stderr.isatty()
        self._said = ""

    def show(self, doing: str, part: float) -> None:
        """Tell that ``doing`` is at ``part`` (0 to 1); ten times a second at most."""
        now_s = time.monotonic()
        if now_s - self._began_s < _SAY_AFTER_S:
            return
        if self._live and now_s - self._shown_s >= _SHOW_EVERY_S:
            self._shown_s = now_s
            far = f" {part:.0%}" if part > 0 else " ..."
            sys.stderr.write(f"\r\033[K{doing}{far}")
            sys.stderr.flush()
        elif not self._live and doing != self._said:
            tell(f"{doing} ...")
        self._said = doing

    def __enter__(self) -> Meter:
        return self

    def __exit__(self, *_: object) -> None:
        if self._live and self._said:
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()
