"""Is the time of day right?  A Raspberry Pi up to model 4 keeps no time while it is off."""

from __future__ import annotations

import ctypes
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers import Finding, FindingState

# Nothing was recorded by this program before (its first version's year).
FIRST = datetime(2026, 1, 1, tzinfo=UTC)
AHEAD = timedelta(minutes=1)
_TITLE = "Time of day"
_TIME_ERROR = 5  # sys/timex.h: the clock is not synchronised
_TIMEX_BYTES = 512  # more than struct timex anywhere; all zero: only ask
_SET_IT = (
    "Connect it to a network (timedatectl status tells when it has the time), or set it: "
    "sudo timedatectl set-time 'YYYY-MM-DD HH:MM'."
)


def right(
    records: Path,
    root: Path = Path("/"),
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    in_step: Callable[[Path], bool | None] | None = None,
) -> Finding:
    """Return whether the time can be believed: against the newest run, and by the kernel's word."""
    time_now = now()
    seen = f"{time_now:%Y-%m-%d %H:%M} UTC"
    newest = newest_run(records)
    if time_now < FIRST or (newest is not None and newest > time_now + AHEAD):
        since = f"the newest run is of {newest:%Y-%m-%d %H:%M}" if newest else "long past"
        return Finding(
            "clock",
            _TITLE,
            FindingState.WRONG,
            f"{seen}, but {since}: runs would be kept under a wrong day",
            _SET_IT,
        )
    synchronised = (in_step or synchronised_now)(root)
    if synchronised:
        return Finding("clock", _TITLE, FindingState.OK, f"{seen}, kept by a time server")
    why = "no time server keeps it" if synchronised is False else "whether it is kept is not known"
    return Finding(
        "clock",
        _TITLE,
        FindingState.LOOK,
        f"{seen}; {why}",
        f"Compare it with a watch. {_SET_IT}",
    )


def zone(
    local: Callable[[], datetime] = lambda: datetime.now().astimezone(),
) -> Finding:
    """Return the time zone in which runs are listed; they are kept in UTC."""
    now = local()
    name = now.tzname() or "unknown"
    text = f"{name} (UTC{now:%z}); runs are kept in UTC and listed in it"
    to_do = ""
    if name == "UTC":
        to_do = "If that is not yours: sudo timedatectl set-timezone Region/City."
    return Finding("zone", "Time zone", FindingState.OK, text, to_do)


def newest_run(records: Path) -> datetime | None:
    """Return when the newest run began; None if there is none or the file cannot be read.

    The file is only read: no migration, no lock that would wait.
    """
    if not records.is_file():
        return None
    try:
        with closing(sqlite3.connect(f"{records.absolute().as_uri()}?mode=ro", uri=True)) as raw:
            (newest,) = raw.execute("SELECT max(started_at) FROM runs").fetchone()
        return None if newest is None else datetime.fromisoformat(newest).replace(tzinfo=UTC)
    except (sqlite3.Error, ValueError):
        return None


def synchronised_now(root: Path = Path("/")) -> bool | None:
    """Tell whether a time server keeps the clock: adjtimex(2), or systemd's mark; None: unknown."""
    if (root / "run/systemd/timesync/synchronized").exists():
        return True
    ask = ctypes.CDLL(None, use_errno=True).adjtimex
    state: int = ask(ctypes.create_string_buffer(_TIMEX_BYTES))
    return None if state < 0 else state != _TIME_ERROR
