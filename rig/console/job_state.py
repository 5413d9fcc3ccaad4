"""How the job stands, in words: the line that is on top of Live and By hand."""

from __future__ import annotations

from dataclasses import dataclass

from rig.bench.events import Noted, RunEnded, StepBegan
from rig.bench.order import ByHandOrder, RunOrder
from rig.console.desk import Desk
from rig.console.live_job import Live, Phase
from rig.isolation.words import NOT_SURE
from rig.records.model import RunState

# A trip that the step survived stays on the screen for so long (s on the bench's clock).
TRIP_SHOWN_S = 8.0


@dataclass(frozen=True, slots=True)
class JobState:
    """A word, a sentence to it, and whether it must be seen at once."""

    word: str
    text: str
    alert: bool = False


def is_run(live: Live) -> bool:
    """Tell whether the job, on or over, is a run of a plan."""
    return isinstance(live.job, RunOrder) and not isinstance(live.job, ByHandOrder)


def stop_key(live: Live) -> str:
    """Return the key that ends this job and no other's."""
    return "^E" if live.job is not None and len(live.job.settings.stations) > 1 else "F12"


def run_state(desk: Desk) -> JobState:
    """Return how the run stands, for Live."""
    live = desk.live
    if live.phase is Phase.NONE:
        return JobState("No run", "Nothing has been started yet. F2 chooses a unit and a plan.")
    if live.by_hand and live.on:
        return JobState("No run", "The feeds are worked by hand just now: F4.")
    if live.rig_check and live.on:
        return JobState("No run", "The rig itself is looked at just now: F7.")
    if not is_run(live):
        return JobState("No run", "The last job was no run of a plan. F2 starts one.")
    if not live.on:
        return over_state(live, "Run")
    return _trouble(desk) or _going(desk)


def over_state(live: Live, what: str) -> JobState:
    """Return how a job that is over ended; ``what`` names it at the start of a sentence."""
    if live.phase is Phase.GONE:
        return JobState(
            "Bench gone",
            "The bench process ended without a word. Press the emergency stop before you touch the "
            "unit. What is shown is the last of it.",
            alert=True,
        )
    if live.phase is Phase.REFUSED:
        text = live.refused.text if live.refused else ""
        return JobState("Not begun", text, alert=True)
    ended = live.ended
    assert ended is not None
    if not ended.feeds_off:
        return JobState("A FEED IS NOT OFF", f"Pull the supply now. {ended.note}", alert=True)
    if live.refused is not None:  # its note tells it, unless the trouble came after it
        text = live.refused.text
        told = ended.note if text in ended.note else f"{ended.note} {text}".strip()
        return JobState(f"{what} over, a problem", told, alert=True)
    if ended.note:
        return JobState(f"{what} over, {_cut_word(ended)}", ended.note, alert=True)
    if ended.judgement is None:
        return JobState(f"{what} over", "Feeds off. What is shown is the last of it.")
    verdict = f"{what} over: {ended.judgement.verdict}"
    return JobState(verdict, "Feeds off. What is shown is the last of it; F5 says why.")


def _cut_word(ended: RunEnded) -> str:
    if ended.state is RunState.STOPPED:
        return "stopped"
    return "tripped" if ended.state is RunState.FINISHED else "broken off"


def _trouble(desk: Desk) -> JobState | None:
    """Return what comes before everything else while a job is on; None if there is nothing."""
    live = desk.live
    if live.stop_wanted:
        return JobState("Stopping", "Feeds off was asked for; the bench has yet to say it is done.")
    if live.phase is Phase.STARTING:
        return JobState("Starting", "The bench opens the rig and proves the dead-man. Nothing fed.")
    if not desk.fresh:
        return JobState(
            "No live data",
            f"Nothing new from the bench for {desk.age_s:.1f} s: what is shown is old.",
            alert=True,
        )
    if live.asked is not None:
        return JobState("Waiting", f"Feeds off. {live.asked.ask.text.splitlines()[0]}")
    return None


def recent_trip(live: Live, now_s: float) -> Noted | None:
    """Return the last trip if it is not long ago at bench time ``now_s`` (s)."""
    for note in reversed(live.notes):
        if note.kind.startswith("trip_"):
            return note if now_s - note.time_s < TRIP_SHOWN_S else None
    return None


def _going(desk: Desk) -> JobState:
    live = desk.live
    job, step = live.job, live.step
    assert isinstance(job, RunOrder)
    trip = recent_trip(live, desk.tail.last("time_s"))
    if trip is not None:
        return JobState("Tripped", trip.text, alert=True)
    if live.phase is Phase.PAUSED:
        return JobState("Paused", _paused(live))
    if step is None:
        return JobState("Starting", "Before the first step: dead-man, cautions, supply.")
    wishes = _wishes(live)
    if wishes:
        return JobState("Run on", wishes)
    again = ", repeated" if step.repeated else ""
    return JobState("Run on", f"{job.unit_serial}, {step_words(step)}: {step.title}{again}")


def step_words(step: StepBegan) -> str:
    """Return which step of how many it is; an isolation does not know how many there will be."""
    of = f" of {step.steps}" if step.steps else ""
    return f"step {step.number}{of}"


def isolation_state(desk: Desk) -> JobState:
    """Return how an isolation stands, for the list of causes."""
    live = desk.live
    if not live.isolation:
        text = "F2 leads to the unit; Ctrl+G there begins."
        return JobState("No isolation", text)
    if not live.on:
        return _isolated(live)
    if live.proposed and desk.fresh and not live.stop_wanted:
        return JobState("Your turn", "Feeds off. Do the test below (F9), skip it, or end here.")
    return _trouble(desk) or _going(desk)


def _isolated(live: Live) -> JobState:
    over, ranked = over_state(live, "Isolation"), live.ranked
    if over.alert or ranked is None or ranked.conclusion is None:
        return over
    word = "Found" if ranked.conclusion.sure else "Not sure"
    return JobState(word, f"Feeds off. {ranked.conclusion.text.removeprefix(NOT_SURE).strip()}")


def _wishes(live: Live) -> str:
    if live.pause_wanted and live.repeat_wanted:
        return "Pausing after this half-turn; then this step is repeated (P, R take it back)."
    if live.pause_wanted:
        return "Pausing after this half-turn (P takes it back)."
    return "This step will be repeated (R takes it back)." if live.repeat_wanted else ""


def _paused(live: Live) -> str:
    step = live.step
    if step is None:
        return f"Feeds off, before the first step. P goes on, {stop_key(live)} ends the run."
    if live.repeat_wanted:
        return f"Feeds off. P goes on and step {step.number} is repeated (R takes it back)."
    return f"Feeds off. P goes on, R repeats step {step.number}, {stop_key(live)} ends the run."


def hand_state(desk: Desk, fed_s: float) -> JobState:
    """Return how the work by hand stands, for By hand; ``fed_s``: when a feed was made last."""
    live = desk.live
    if live.on and not live.by_hand:
        what = "The rig is looked at: F7" if live.rig_check else "A run is on: F3"
        return JobState("Not now", f"{what}. By hand can begin when it is over.")
    if not live.by_hand:
        return JobState("By hand", "Feeds off. F9 begins.")
    if not live.on:
        return over_state(live, "By hand")
    trouble = _trouble(desk) or _not_fed(live, fed_s)
    if trouble is not None:
        return trouble
    if not is_ready(live):
        return JobState("Starting", "Before the first feed: dead-man, cautions, supply.")
    how = f"Hold B, I or Space to feed; let go for off. {stop_key(live)} ends."
    return JobState("By hand", how)


def is_ready(live: Live) -> bool:
    """Tell whether the bench makes feeds by hand: cautions accepted, supply on."""
    return any(note.kind == "ready" for note in live.notes)


def _not_fed(live: Live, fed_s: float) -> JobState | None:
    """Return why the feeds are off although held, until one is made again."""
    for note in reversed(live.notes):
        if note.time_s < fed_s:
            return None
        if note.kind.startswith("trip_"):
            return JobState(
                "Tripped", f"{note.text} Let go for a second, then feed again.", alert=True
            )
        if note.kind == "not_fed":
            return JobState("Not fed", note.text, alert=True)
    return None
