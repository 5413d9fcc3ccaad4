"""`halfturn run --at`: a plan on several units at once, each on its own station."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from drivers.backends import keeps_own_time, load_backend
from rig.bench.commands import Answer, Stop
from rig.bench.events import Asked, BenchEvent, Refused, RunEnded
from rig.bench.keeper import DirectKeeper
from rig.bench.order import RunOrder
from rig.bench.requests import Ask
from rig.bench.signals import flag_signals
from rig.bench.stations import StationsBench
from rig.bench.together import End, Together
from rig.commands import exits
from rig.commands.common import records_path
from rig.commands.direct import DirectConsole
from rig.commands.follow import GONE
from rig.commands.progress import Progress
from rig.commands.run import Gathered, answer, status_of, words
from rig.commands.streams import say, tell
from rig.commands.terminal import Operator, wrapped
from rig.feasible import cautions_on_rig, cautions_together
from rig.records.store import Store

# The worst of several: what says least of the units, or most against them, comes first.
_WORST = (
    exits.PROGRAM,
    exits.RECORDS,
    exits.FILES,
    exits.USAGE,
    exits.STOPPED,
    exits.BENCH,
    exits.FAIL,
    exits.RETEST,
)
_LOOK_EVERY_S = 0.1


def run(orders: Mapping[str, RunOrder], options: argparse.Namespace) -> int:
    """Run the orders, each on its station; return the worst exit status."""
    first = next(iter(orders.values()))
    if not options.quiet:
        for caution in _cautions(orders):
            tell(wrapped(f"warning: {caution}"))
    rule = first.plan.decision.as_rule()
    gathered = {
        name: Gathered(Progress(quiet=options.quiet, station=name), whole=options.json, rule=rule)
        for name in orders
    }
    shows = {name: each.show for name, each in gathered.items()}
    records = records_path(options, first.settings)
    if keeps_own_time(first.backend_name, first.options):
        came = _run_direct(orders, records, shows)
    else:
        came = _run_apart(orders, records, shows)
    if options.json:
        say(json.dumps({n: _as_json(came[n], gathered[n]) for n in orders}, indent=2))
    else:
        for name in orders:
            say(_prefixed(name, _in_words(came[name], gathered[name])))
    return worst([_status(end) for end in came.values()])


def _cautions(orders: Mapping[str, RunOrder]) -> Iterator[str]:
    """Yield what the operator should know, once where it holds for several stations."""
    stations: dict[str, list[str]] = {}
    for name, order in orders.items():
        for caution in cautions_on_rig(order.plan, order.settings, order.station):
            stations.setdefault(caution, []).append(name)
    for caution, names in stations.items():
        yield caution if len(names) == len(orders) else f"station {', '.join(names)}: {caution}"
    first = next(iter(orders.values()))
    at_work = [order.station for order in orders.values()]
    yield from cautions_together(first.plan, first.settings, at_work)


def worst(statuses: Sequence[int]) -> int:
    """Return the exit status that says least good of all."""
    unweighed = [status for status in statuses if status not in (*_WORST, exits.PASS)]
    return next((status for status in (*unweighed, *_WORST) if status in statuses), exits.PASS)


# --- ways to run ------------------------------------------------------------------------------

Shows = Mapping[str, Callable[[BenchEvent], None]]


def _run_direct(orders: Mapping[str, RunOrder], records: Path, shows: Shows) -> dict[str, End]:
    """Run the orders side by side in this process, in the world's own time."""
    first = next(iter(orders.values()))
    with flag_signals() as flag, Store.open(records) as store:
        backend = load_backend(first.backend_name, first.wiring(), first.options)
        try:
            with Together(backend, first.wiring(), tuple(orders)) as together:
                operator = Operator()
                for name, order in orders.items():
                    console = DirectConsole(shows[name], flag, operator, name)
                    together.begin(order, DirectKeeper(store), console)
                together.run()
        finally:
            backend.close()
    return together.ends


def _run_apart(orders: Mapping[str, RunOrder], records: Path, shows: Shows) -> dict[str, End]:
    """Run the orders in a bench process of their own, with this process as its console."""
    first = next(iter(orders.values()))
    came: dict[str, End] = {}
    with (
        flag_signals() as flag,
        StationsBench(
            first.settings,
            records,
            stations=tuple(orders),
            backend=first.backend,
            options=first.options,
        ) as bench,
    ):
        handles = bench.handles
        for name, order in orders.items():
            handles[name].begin(order)
        operator = Operator()
        asked: dict[str, Ask] = {}  # open questions in the order they came
        told = False
        while any(handle.alive for handle in handles.values()):
            bench.wait(_LOOK_EVERY_S)
            for name, handle in handles.items():
                for event in handle.events():
                    shows[name](event)
                    _take(event, name, came, asked)
            if flag.number is not None and not told:
                told = True
                for handle in handles.values():
                    handle.tell(Stop(flag.words, by_operator=flag.by_operator))
            elif asked and not told:
                name, ask = next(iter(asked.items()))
                # Left open when something happens meanwhile, shown, and asked again.
                said = operator.ask(
                    ask, lambda: flag.number is not None or bench.has_news, station=name
                )
                if said is not None:
                    handles[name].tell(Answer(said))
                    del asked[name]
    for name in orders:
        came.setdefault(name, Refused(GONE, exits.BENCH))
    return came


def _take(event: BenchEvent, name: str, came: dict[str, End], asked: dict[str, Ask]) -> None:
    """Take note of what a station's event leaves open or ends."""
    if isinstance(event, Asked):
        asked[name] = event.ask
    elif isinstance(event, RunEnded | Refused):
        asked.pop(name, None)
        came.setdefault(name, event)


# --- what is told at the end ------------------------------------------------------------------


def _status(end: End) -> int:
    return end.status if isinstance(end, Refused) else status_of(end)


def _in_words(end: End, gathered: Gathered) -> str:
    return end.text if isinstance(end, Refused) else words(end, gathered)


def _as_json(end: End, gathered: Gathered) -> dict[str, object]:
    if isinstance(end, Refused):
        return {"verdict": None, "note": end.text}
    return answer(end, gathered)


def _prefixed(name: str, text: str) -> str:
    return "\n".join(f"{name}: {line}" for line in text.splitlines())
