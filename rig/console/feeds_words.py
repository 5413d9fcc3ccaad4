"""What the feeds are, as every screen says it."""

from __future__ import annotations

from typing import NamedTuple

from rig.console.desk import Desk
from rig.console.live_job import Phase


class Feeds(NamedTuple):
    """The feeds in ``words``; whether one is on (or may be), whether that is ``in_doubt``."""

    words: str
    on: bool = False
    in_doubt: bool = False


_NOT_OFF = Feeds("A FEED IS NOT OFF: PULL THE SUPPLY", on=True, in_doubt=True)


def feeds_of(desk: Desk) -> Feeds:
    """Return what is known of the feeds now; old samples are never told as if they were live."""
    live = desk.live
    if live.phase is Phase.GONE:
        return Feeds("FEEDS NOT KNOWN", in_doubt=True)
    if live.ended is not None and not live.ended.feeds_off:
        return _NOT_OFF
    if live.checked is not None and not live.checked.feeds_off:
        return _NOT_OFF
    if not live.on:
        return Feeds("feeds off")
    if live.stop_wanted:
        return Feeds("FEEDS OFF ASKED", in_doubt=True)
    if not desk.fresh:
        return (
            Feeds("NO LIVE DATA", on=True, in_doubt=True) if len(desk.tail) else Feeds("starting")
        )
    made = [
        name
        for name, column in (("BATTERY", "battery_feed"), ("IGNITION", "ignition_feed"))
        if desk.tail.last(column) > 0
    ]
    return Feeds(f"{' + '.join(made)} ON", on=True) if made else Feeds("feeds off")
