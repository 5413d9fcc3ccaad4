"""The bench's part of `halfturn check`: outputs, sensors and dead-man, with nothing fed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from drivers import BackendOptions, DriverError, Finding, FindingState
from drivers.backends import keeps_own_time, load_backend
from rig.bench.attached import attach
from rig.bench.commands import Answer, Command
from rig.bench.errors import BenchError, Stopped
from rig.bench.events import Asked, BenchEvent, CheckItem, ItemState, Refused, RigCheckEnded
from rig.bench.order import RigCheckOrder
from rig.bench.process import BenchClient
from rig.bench.requests import Ask, Sample
from rig.bench.rig_check import RigCheck
from rig.bench.seams import Done
from rig.bench.signals import SignalFlag, flag_signals
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.settings import RigSettings, StationSettings

_LOOK_EVERY_S = 0.1
_STATES = {ItemState.GOOD: FindingState.OK, ItemState.WRONG: FindingState.WRONG}


class Items:
    """Gathers how the items of a check stand, and answers its questions for the command line."""

    def __init__(self, flag: SignalFlag, *, jig_empty: bool) -> None:
        self._flag = flag
        # The option says both: that the jig is guarded, and that nothing is connected.
        self._answers = {"accept_cautions": "accepted", "jig_empty": "done"} if jig_empty else {}
        self._items: dict[str, CheckItem] = {}
        self.ended: RigCheckEnded | None = None

    def show(self, event: BenchEvent) -> None:
        """Take note of an item, or of the end."""
        if isinstance(event, CheckItem):
            self._items[event.name] = event
        elif isinstance(event, RigCheckEnded):
            self.ended = event

    def answer(self, ask: Ask) -> str:
        """Return what the command line says to ``ask``."""
        return self._answers.get(ask.action, ask.allowed[-1])

    def sample(self, sample: Sample) -> None:
        """Take no note of single samples."""

    def ask(self, ask: Ask, wait: Callable[[Done], None]) -> str:
        """Answer at once."""
        return self.answer(ask)

    def listen(self) -> Sequence[Command]:
        """Return nothing; raise Stopped after a signal."""
        if self._flag.number is not None:
            raise Stopped(f"Stopped by {self._flag.words}.", by_operator=self._flag.by_operator)
        return ()

    def findings(self) -> list[Finding]:
        """Return the items as findings, and how it ended if something is amiss with that."""
        found = [_finding(item) for item in self._items.values()]
        ended = self.ended
        if ended is not None and not (ended.complete and ended.feeds_off):
            off = "" if ended.feeds_off else "A FEED DOES NOT READ BACK OFF: pull the supply now. "
            text = f"{off}{ended.text}"
            found.append(Finding("bench", "The look at the bench", FindingState.WRONG, text))
        return found


def _finding(item: CheckItem) -> Finding:
    state = _STATES.get(item.state, FindingState.LEFT_OUT)
    if item.name == "dead_man" and item.text.startswith("Not powered: the cautions"):
        return Finding(
            item.name,
            item.title,
            state,
            "not proved: the master relay would have to pick up",
            "Take the unit off, guard the jig, and add --jig-empty.",
        )
    return Finding(item.name, item.title, state, item.text)


def bench_findings(
    settings: RigSettings, station: StationSettings, *, jig_empty: bool
) -> list[Finding]:
    """Return what is found of the bench, which must not be in use; nothing is fed or recorded.

    Raises CommandError if a job is on, or if a signal ends it.
    """
    visited = attach(settings.logs)
    if visited is not None:
        busy = visited.job is not None
        visited.close()
        if busy:
            raise CommandError(
                exits.BENCH, "a job is on at this bench. `halfturn attach` shows it; check later."
            )
    order = RigCheckOrder(settings, station, full=True, unfed=True)
    with flag_signals() as flag:
        items = Items(flag, jig_empty=jig_empty)
        try:
            if keeps_own_time(order.backend_name, order.options):
                _look_here(order, items)
            else:
                _look_apart(order, items, flag)
        except (BenchError, DriverError) as error:
            return [Finding("bench", "The bench opens", FindingState.WRONG, str(error))]
        if flag.number is not None:
            raise CommandError(exits.STOPPED, f"stopped by {flag.words}; nothing was fed.")
    return items.findings()


def _look_here(order: RigCheckOrder, items: Items) -> None:
    backend = load_backend(order.backend_name, order.wiring(), BackendOptions())
    try:
        RigCheck(order, backend, items).run()
    finally:
        backend.close()


def _look_apart(order: RigCheckOrder, items: Items, flag: SignalFlag) -> None:
    # A bench process opens records for whatever it does; this check leaves none.
    with TemporaryDirectory() as folder, BenchClient(order, Path(folder) / "none.sqlite") as bench:
        while items.ended is None and flag.number is None:
            alive = bench.alive
            for event in bench.events(_LOOK_EVERY_S):
                items.show(event)
                match event:
                    case Asked():
                        bench.tell(Answer(items.answer(event.ask)))
                    case Refused():
                        raise BenchError(event.text)
                    case _:
                        pass
            if not alive and items.ended is None:
                raise BenchError("The bench process ended without a word; start the check again.")
