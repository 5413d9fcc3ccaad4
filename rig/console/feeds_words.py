"""What the feeds are, as every screen says it."""

from __future__ import annotations

from typing import NamedTuple

from rig.console.desk import Desk
from rig.console.left import Doubt


class Feeds(NamedTuple):
    """The feeds in ``words``; whether one is on (or may be), whether that is ``in_doubt``."""

    words: str
    on: bool = False
    in_doubt: bool = False


_IN_DOUBT = {
    Doubt.NOT_KNOWN: Feeds("FEEDS NOT KNOWN", in_doubt=True),
    Doubt.NOT_OFF: Feeds("A FEED IS NOT OFF: PULL THE SUPPLY", on=True, in_doubt=True),
}


# Another console commands this rig's bench, and only that one hears of the feeds.
_ELSEWHERE = Feeds("FEEDS NOT KNOWN HERE", in_doubt=True)


def feeds_of(desk: Desk) -> Feeds:
    """Return what is known of the feeds now; old samples are never told as if they were live.

    A doubt that a job left stands until the feeds are read back: live, or at another job's end.
    """
    live = desk.live
    in_doubt = _IN_DOUBT.get(desk.left.feeds)
    if in_doubt is not None and not desk.fresh:
        return in_doubt
    if not live.on:
        return _ELSEWHERE if desk.elsewhere else Feeds("feeds off")
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
