"""Following the job of a bench in another process at a plain terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Protocol

from rig.bench.commands import Answer, Command, Stop
from rig.bench.events import Asked, BenchEvent, CheckItem, Refused, RigCheckEnded, RunEnded
from rig.bench.requests import Ask
from rig.bench.signals import SignalFlag
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.streams import tell
from rig.commands.terminal import Operator

# Late enough to cost nothing, early enough that a Ctrl-C feels immediate (s).
_LOOK_EVERY_S = 0.1


class Bench(Protocol):
    """A bench in another process, whichever way it was come by."""

    @property
    def alive(self) -> bool:
        """Tell whether it is still there, or things it said are on their way."""
        ...

    @property
    def has_news(self) -> bool:
        """Tell whether something came, or it has gone."""
        ...

    def events(self, wait_s: float = 0.0) -> Iterator[BenchEvent]:
        """Yield the events that came, waiting up to ``wait_s`` seconds for the first."""
        ...

    def tell(self, command: Command) -> None:
        """Send a command; never blocks."""
        ...


def follow(
    bench: Bench,
    flag: SignalFlag,
    show: Callable[[BenchEvent], None],
    *,
    leave: bool = False,
    asks: bool = True,
) -> RunEnded | None:
    """Show what happens until the job is over, answer for the operator; return how a run ended.

    A signal stops the job, or with ``leave`` lets it go on: None is returned then.  Without
    ``asks`` questions are told and left to somebody else.  Raises CommandError if the bench refuses
    or its process dies.
    """
    told = False
    ended: RunEnded | None = None
    over = False
    operator = Operator()
    open_question: Ask | None = None
    while True:
        alive = bench.alive
        for event in bench.events(_LOOK_EVERY_S):
            show(event)
            match event:
                case RunEnded():
                    ended, over = event, True
                    open_question = None
                case RigCheckEnded():
                    over = True
                    open_question = None
                case Refused():
                    raise CommandError(event.status, event.text)
                case Asked() if asks:
                    open_question = event.ask
                case Asked():
                    first = event.ask.text.splitlines()[0]
                    tell(f"the run waits, feeds off, for an answer ({first}): attach in a terminal")
                case CheckItem():
                    open_question = None
                case _:
                    pass
        if flag.number is not None and leave and not over:
            return None
        if flag.number is not None and not told:
            told = True
            bench.tell(Stop(flag.words, by_operator=flag.by_operator))
        elif open_question is not None and not told:
            # Left open when something happens meanwhile, shown, and asked again.
            answer = operator.ask(open_question, lambda: flag.number is not None or bench.has_news)
            if answer is not None:
                bench.tell(Answer(answer))
                open_question = None
        if not alive:
            if over:
                return ended
            raise CommandError(exits.BENCH, GONE)


GONE = (
    "the bench process ended without a word. Make sure that the master relay has dropped and give "
    "`halfturn off`, which takes the feeds off and reads them back. Every finished step is in the "
    "record (`halfturn records list`)."
)
