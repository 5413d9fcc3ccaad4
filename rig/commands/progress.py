"""What a run tells on standard error while it goes on."""

from __future__ import annotations

import sys
from typing import TextIO

from rig.analysis.model import HalfTurn, Measure
from rig.bench.events import (
    BenchEvent,
    HalfTurnEnded,
    Noted,
    RunBegan,
    RunEnded,
    StepBegan,
    StepEnded,
)
from rig.commands.streams import visible
from rig.commands.terminal import wrapped
from rig.records.golden_said import golden_words, is_warning

# Said once per run anyway, or shown elsewhere.
_QUIET_NOTES = frozenset({"consent"})


class Progress:
    """Prints a run's events as lines; on a terminal the half-turns of a step count up in place.

    With a ``station`` each line begins with it, for a run among others.
    """

    def __init__(
        self, out: TextIO | None = None, *, quiet: bool = False, station: str = ""
    ) -> None:
        self._out = sys.stderr if out is None else out
        self._quiet = quiet
        # Lines of several stations come mixed: none can count up in place.
        self._live = self._out.isatty() and not station
        self._before = f"{station}: " if station else ""
        self._half_turns = 0
        self._open_line = False
        self._said = ""

    def show(self, event: BenchEvent) -> None:
        """Print one event."""
        if self._quiet:
            return
        try:
            self._show(event)
        except OSError:
            self._quiet = True  # nobody reads it any more; the run goes on

    def _show(self, event: BenchEvent) -> None:
        match event:
            case RunBegan():
                world = "SIMULATED bench" if event.simulated else "bench"
                # How many tests an isolation takes is open.
                long = f", {event.steps} steps, about {about(event.expected_s)}"
                self._line(
                    f"{event.plan_title} on station {event.station} ({world})"
                    + (long if event.steps else "")
                )
                if is_warning(event.golden):
                    self._line(f"warning: {golden_words(event.golden)}")
            case StepBegan():
                self._half_turns = 0
                how_long = f", about {about(event.expected_s)}" if event.expected_s >= 1 else ""
                of = f" of {event.steps}" if event.steps else ""
                self._line(f"step {event.number}{of}: {event.title}{how_long}")
            case HalfTurnEnded():
                self._count(event)
            case Noted() if event.kind not in _QUIET_NOTES:
                self._note(event.text)
            case StepEnded():
                self._step(event)
            case RunEnded():
                self._end(event)
            case _:
                pass

    def _count(self, event: HalfTurnEnded) -> None:
        self._half_turns += 1
        if not self._live:
            return
        way = "to run" if event.to_run else "to stop"
        what = f"parked after {event.after_s:.2f} s" if event.parked else "did not park"
        self._out.write(f"\r\033[K  half-turn {self._half_turns} {way}: {what}")
        self._out.flush()
        self._open_line = True

    def _step(self, event: StepEnded) -> None:
        if event.half_turns:
            self._line(f"  {turns_in_words(event.half_turns)}")
        for measure in event.measures:
            self._line(f"  {measure_in_words(measure)}")
        self._note(event.note)

    def _note(self, text: str) -> None:
        # A step that was cut short and the run that it ended give the same reason.
        if text and text != self._said:
            self._said = text
            self._line(f"  {text}")

    def _end(self, event: RunEnded) -> None:
        off = "feeds read back off" if event.feeds_off else "A FEED DOES NOT READ BACK OFF"
        self._line(f"run {event.state}, {off}")

    def _line(self, text: str) -> None:
        text = visible(text)
        if self._open_line:
            self._out.write("\r\033[K")
            self._open_line = False
        self._out.write((wrapped(text) if self._live else f"{self._before}{text}") + "\n")
        self._out.flush()


def turns_in_words(turns: tuple[HalfTurn, ...]) -> str:
    """Return how many half-turns had which outcome, and the range of their times."""
    outcomes: dict[str, int] = {}
    for turn in turns:
        word = str(turn.outcome).replace("_", " ")
        outcomes[word] = outcomes.get(word, 0) + 1
    text = ", ".join(f"{count} {word}" for word, count in outcomes.items())
    times = [turn.half_turn_s for turn in turns if turn.half_turn_s is not None]
    if times:
        text += f"; {min(times):.3f} to {max(times):.3f} s"
    plural = "" if len(turns) == 1 else "s"
    return f"{len(turns)} half-turn{plural}: {text}"


def measure_in_words(measure: Measure) -> str:
    """Return a measure with its expanded uncertainty."""
    # The unit stands in the name for whoever reads the file, and behind the value here.
    name = measure.name.rsplit("_", 1)[0].replace("_", " ")
    if measure.value is None:
        return f"{name}: not measured"
    unit = "" if measure.unit == "1" else f" {measure.unit}"
    u = "" if measure.u is None else f" ± {measure.u:.3f}"
    return f"{name} {measure.value:.3f}{u}{unit}"


def about(seconds: float) -> str:
    """Return a length of time as a guess is told."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
