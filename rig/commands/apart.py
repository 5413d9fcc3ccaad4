"""Running an order in a bench process of its own, with this process as its console."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rig.bench.events import Asked, BenchEvent, Refused, RunEnded
from rig.bench.order import RunOrder
from rig.bench.process import BenchClient
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
        while True:
            alive = bench.alive
            for event in bench.events(_LOOK_EVERY_S):
                show(event)
                match event:
                    case RunEnded():
                        return event
                    case Refused():
                        raise CommandError(event.status, event.text)
                    case Asked():
                        answer = ask_operator(event.ask, lambda: flag.number is not None)
                        if answer is not None:
                            bench.answer(answer)
                    case _:
                        pass
            if flag.number is not None and not told:
                told = True
                bench.stop(flag.words)
            if not alive:
                raise CommandError(
                    exits.BENCH,
                    "the bench process ended without a word. Its dead-man has dropped the master "
                    "relay; make sure that no feed is on, then start again. Every finished step is "
                    "in the record (`halfturn records list`).",
                )
