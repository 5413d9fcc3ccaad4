"""What a station does, in a word or two: for whoever looks at another one."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.order import ByHandOrder
from rig.console.desk import Desk
from rig.console.feeds_words import feeds_of
from rig.console.job_state import recent_trip
from rig.console.live_job import Live, Phase
from rig.console.rig_job import is_calibration
from rig.records.model import RunState


@dataclass(frozen=True, slots=True)
class Glance:
    """A word or two; ``needs``: somebody has to look at the station, or act, now or soon."""

    word: str
    needs: bool = False


FREE = Glance("free")


def glance(desk: Desk) -> Glance:
    """Return what the station of ``desk`` does now, or what came of it last: the gravest first."""
    feeds = feeds_of(desk)
    live = desk.live
    if feeds.in_doubt and not live.on and desk.elsewhere:
        return Glance("worked by another console")
    if feeds.in_doubt and not (live.on and live.stop_wanted and not desk.stop_unconfirmed):
        return Glance("STOP NOT CONFIRMED" if desk.stop_unconfirmed else feeds.words, needs=True)
    if live.on:
        return _of_job(desk, fed=feeds.on)
    return _of_end(live, unseen=desk.looked_at is not live)


def _of_job(desk: Desk, *, fed: bool) -> Glance:
    live = desk.live
    if live.stop_wanted:
        return Glance("stopping")
    if live.asked is not None:
        return Glance("ASKS", needs=True)
    if recent_trip(live, desk.tail.last("time_s")) is not None:
        return Glance("TRIPPED", needs=True)
    if live.phase is Phase.PAUSED:
        return Glance("paused")
    if fed:
        return Glance("FED")
    if isinstance(live.job, ByHandOrder):
        return Glance("by hand")
    if live.rig_check:
        return Glance("calibrating" if is_calibration(live) else "rig check")
    if live.phase is Phase.STARTING or live.step is None:
        return Glance("starting")
    of = f"/{live.step.steps}" if live.step.steps else ""
    return Glance(f"step {live.step.number}{of}")


def _of_end(live: Live, *, unseen: bool) -> Glance:
    if live.phase is Phase.NONE:
        return FREE
    if live.phase is Phase.GONE:
        return Glance("BENCH GONE", needs=True)
    if live.phase is Phase.REFUSED:
        return Glance("not begun", needs=unseen)
    ended = live.ended
    if ended is None:  # a look at the rig
        return Glance("rig check over", needs=unseen) if unseen else FREE
    if ended.note and ended.state is RunState.STOPPED:
        return Glance("stopped", needs=unseen)
    verdict = ended.judgement.verdict if ended.judgement is not None else None
    if verdict is not None:
        return Glance(str(verdict).upper(), needs=unseen)
    return Glance("broken off" if ended.note else "over", needs=unseen)
