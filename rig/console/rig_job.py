"""How the look at the rig stands, in words: the line on top of Rig."""

from __future__ import annotations

from rig.bench.events import ItemState
from rig.bench.order import CalibrationOrder, RigCheckOrder
from rig.console.desk import Desk
from rig.console.job_state import JobState, over_state
from rig.console.live_job import Live, Phase

IDLE = JobState("Rig", "Nothing is fed. R reads the sensors, C checks the rig, K calibrates it.")
_DONE = frozenset({ItemState.GOOD, ItemState.WRONG, ItemState.LEFT_OUT})


def is_full(live: Live) -> bool:
    """Tell whether the job, on or over, is the self-check."""
    return isinstance(live.job, RigCheckOrder) and live.job.full


def is_calibration(live: Live) -> bool:
    """Tell whether the job, on or over, is a calibration."""
    return isinstance(live.job, CalibrationOrder)


def why_not(live: Live) -> str:
    """Return why the rig cannot be looked at just now, empty if it can."""
    if not live.on or live.rig_check:
        return ""
    what = "The feeds are worked by hand (F4)" if live.by_hand else "A run is on (F3)"
    return f"{what}: the rig can be looked at when it is over."


def rig_state(desk: Desk) -> JobState:
    """Return how the look at the rig stands."""
    live = desk.live
    reason = why_not(live)
    if reason:
        return JobState("Not now", reason)
    if not live.rig_check:
        return IDLE
    what = "Self-check" if is_full(live) else "Readings"
    if is_calibration(live):
        what = "Calibration"
    if not live.on:
        return _over(live, what)
    if live.stop_wanted:
        return JobState("Stopping", "Feeds off was asked for; the bench has yet to say it is done.")
    if not len(desk.tail):
        return JobState("Starting", "The bench opens the station. Nothing is fed.")
    if not desk.fresh:
        text = f"Nothing new from the bench for {desk.age_s:.1f} s."
        return JobState("No live data", text, alert=True)
    if live.asked is not None:
        return JobState("Waiting", f"{live.asked.ask.text.splitlines()[0]}")
    if not is_full(live):
        return JobState("Reading", "Live, feeds off. R ends it.")
    return JobState(what, _progress(live))


def _progress(live: Live) -> str:
    items = list(live.items.values())
    done = sum(item.state in _DONE for item in items)
    going = [item for item in items if item.state is ItemState.GOING]
    now = f" Now: {going[0].text or going[0].title}" if going else ""
    return f"{done} of {len(items)} done.{now}"


def _over(live: Live, what: str) -> JobState:
    checked = live.checked
    if live.phase is not Phase.ENDED or checked is None:
        return over_state(live, what)
    if not checked.feeds_off:
        return JobState("A FEED IS NOT OFF", f"Pull the supply now. {checked.text}", alert=True)
    if checked.good is None and not is_full(live):
        return JobState("Readings over", "Feeds off. R reads again, C checks the whole rig.")
    text = f"{checked.text} Feeds off."
    if is_calibration(live):
        if checked.good is None:
            return JobState("Broken off", text)
        return JobState("Calibrated" if checked.good else "Not calibrated", text, not checked.good)
    if checked.good is None:
        return JobState("Not all checked" if checked.complete else "Broken off", text)
    return JobState("All good" if checked.good else "Not good", text, not checked.good)
