"""Running an order on a bench that goes on when this program has ended."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from rig.bench.attached import AttachedBench, attach
from rig.bench.detached import start_detached
from rig.bench.events import BenchEvent, Refused, RunBegan, RunEnded
from rig.bench.opening import consent_question
from rig.bench.order import RunOrder
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.follow import GONE
from rig.commands.streams import say, tell
from rig.commands.terminal import ask_operator
from rig.records.golden_said import golden_words, is_warning


def run_detached(order: RunOrder, records: Path, there: str) -> int:
    """Hand ``order`` to a bench that goes on by itself and say how to come back to it.

    ``there`` is what a command must be given besides to come to it.  Returns 0 once the run is in
    the record.  Raises CommandError or BenchError if it does not begin.
    """
    bench = attach(records.parent, free_within_s=1.0)
    if bench is not None and bench.job is not None:
        bench.close()
        raise CommandError(
            exits.BENCH,
            "a job is on at this bench already. `halfturn attach` shows it; start when it is over.",
        )
    if not order.consent:
        if ask_operator(consent_question(), lambda: False) != "accepted":
            raise CommandError(
                exits.BENCH,
                "the cautions were not accepted, so nothing is fed. Start again when the jig is "
                "guarded.",
            )
        order = replace(order, consent=True)
    # Whoever comes back to it has to find it at the same hour, simulated or not.
    options = replace(order.options, real_time=True)
    order = replace(order, detached=True, options=options)
    if bench is None:
        bench = start_detached(records)
    bench.begin(order)
    try:
        began = _begun(bench)
    finally:
        bench.close()
    if is_warning(began.golden):
        tell(f"warning: {golden_words(began.golden)}")
    say(
        f"run {began.run_id} of {began.plan_title} goes on by itself (process {bench.pid}).\n"
        f"  halfturn attach{there}         shows it, and answers its questions\n"
        f"  halfturn attach --stop{there}  ends it, feeds off\n"
        f"  halfturn console{there}        opens the console at it"
    )
    return exits.PASS


def _begun(bench: AttachedBench) -> RunBegan:
    while True:
        alive = bench.alive
        for event in bench.events(0.1):
            if isinstance(event, RunBegan):
                return event
            _need_no_end(event)
        if not alive:
            raise CommandError(exits.BENCH, GONE)


def _need_no_end(event: BenchEvent) -> None:
    if isinstance(event, Refused):
        raise CommandError(event.status, event.text)
    if isinstance(event, RunEnded):
        raise CommandError(exits.BENCH, event.note)
