"""Running an order in a bench process of its own, with this process as its console."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rig.bench.commands import Answer, Stop
from rig.bench.events import Asked, BenchEvent, Refused, RunEnded
from rig.bench.order import RunOrder
from rig.bench.process import BenchClient
from rig.bench.requests import Ask
from rig.bench.signals import flag_signals
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.terminal import ask_operator

# Late enough to cost nothing, early enough that a Ctrl-C feels immediate (s).
_LOOK_EVERY_S = 0.1


def run_apart(order: RunOrder, records: Path, show: Callable[[BenchEvent], None]) -> RunEnded:
    """Run ``order`` in a bench process; return how it ended.

    Raises CommandError if the bench refuses or its process dies.
    """
    with flag_signals() as flag, BenchClient(order, records) as bench:
        told = False
        ended: RunEnded | None = None
        open_question: Ask | None = None
        while True:
            alive = bench.alive
            for event in bench.events(_LOOK_EVERY_S):
                show(event)
                match event:
                    case RunEnded():
                        ended = event
                        open_question = None
                    case Refused():
                        raise CommandError(event.status, event.text)
                    case Asked():
                        open_question = event.ask
                    case _:
                        pass
            if flag.number is not None and not told:
                told = True
                bench.tell(Stop(flag.words, by_operator=flag.by_operator))
            elif open_question is not None:
                # Left open when something happens meanwhile, shown, and asked again.
                answer = ask_operator(
                    open_question, lambda: flag.number is not None or bench.has_news
                )
                if answer is not None:
                    bench.tell(Answer(answer))
                    open_question = None
            if not alive:
                if ended is not None:
                    return ended
                raise CommandError(exits.BENCH, _GONE)


_GONE = (
    "the bench process ended without a word. Make sure that the master relay has dropped and that "
    "no feed is on, then start again. Every finished step is in the record "
    "(`halfturn records list`)."
)
