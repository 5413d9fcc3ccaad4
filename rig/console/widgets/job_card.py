"""What is on at the bench, and what can be told to it, where otherwise a run is started."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Button, Static

from rig.bench.order import RigCheckOrder
from rig.console.job_state import step_words
from rig.console.live_job import Live, Phase

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class JobCard(Vertical):
    """The job that is on; its buttons run the screen's actions."""

    app: HalfturnConsole

    DEFAULT_CSS = """
    JobCard { height: auto; padding: 0 1; }
    JobCard #job-title { text-style: bold; color: $accent; }
    JobCard #job-text { height: auto; margin-bottom: 1; }
    JobCard Button { width: 100%; margin-bottom: 1; content-align: left middle; }
    """

    def compose(self) -> ComposeResult:
        """Lay out what is on and the buttons."""
        yield Static("", id="job-title", markup=False)
        yield Static("", id="job-text", markup=False)
        yield Button("Watch it              F3", action="app.watch", id="do-watch", compact=True)
        yield Button("", id="do-pause", action="screen.pause", compact=True)
        yield Button("Go on                 F9", action="screen.go_on", id="do-go-on", compact=True)
        yield Button("", id="do-repeat", action="screen.repeat_step", compact=True)
        # With others at work F12 would end theirs too.
        stop, action = (
            ("Stop this station    ^E", "app.stop_here")
            if self.app.desks.several
            else ("Stop, feeds off      F12", "app.feeds_off")
        )
        yield Button(stop, action=action, id="do-stop", compact=True)

    def show(self, live: Live) -> None:
        """Show what ``live`` says now."""
        is_run = live.on and not live.by_hand and not live.rig_check
        paused = live.phase is Phase.PAUSED
        title, text = job_words(live)
        self.query_one("#job-title", Static).update(title)
        self.query_one("#job-text", Static).update(text)
        pause, repeat = self.query_one("#do-pause", Button), self.query_one("#do-repeat", Button)
        pause.display = is_run and not paused
        pause.label = (
            "Do not pause          F9" if live.pause_wanted else "Pause                 F9"
        )
        self.query_one("#do-go-on").display = paused
        repeat.display = is_run and live.can_repeat
        repeat.label = (
            "Do not repeat     Ctrl+R" if live.repeat_wanted else "Repeat this step  Ctrl+R"
        )
        self.query_one("#do-watch").display = not live.rig_check


def job_words(live: Live) -> tuple[str, str]:
    """Return what is on, as a title and a text."""
    job = live.job
    if isinstance(job, RigCheckOrder) or job is None:
        return "The rig is looked at", "Go to Rig (F7) to watch or end it."
    unit = f"{job.unit_serial}, {job.plan.title}."
    if live.by_hand:
        return "By hand", f"{unit} Go to By hand (F4) to work the feeds."
    if live.stop_wanted:
        return "Stopping", f"{unit} Feeds off was asked for."
    if live.phase is Phase.STARTING or live.step is None:
        return "An isolation starts" if live.isolation else "A run starts", unit
    words = step_words(live.step)
    step = f"{words[:1].upper()}{words[1:]}: {live.step.title}."
    wishes = []
    if live.pause_wanted:
        wishes.append("It pauses when this half-turn is over.")
    if live.repeat_wanted:
        wishes.append("This step will be repeated when it is over.")
    if live.phase is Phase.PAUSED:
        return "Paused, feeds off", " ".join([unit, step, *wishes])
    title = "A run is on, by itself" if job.detached else "A run is on"
    if live.isolation:
        title = "A fault is being isolated"
    return title, " ".join([unit, step, *wishes])
