"""What the operator wished for while a job is on, and how the jig's hands help out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from drivers import Hands
from rig.bench.commands import Command, GoOn, Meddle, Pause, RepeatStep
from rig.bench.order import RunOrder
from rig.bench.requests import Ask
from rig.bench.seams import Console, Done


@dataclass(slots=True)
class Wishes:
    """Wishes that are granted when it is safe: a pause, a repetition of the step that is on."""

    pause: bool = False
    repeat: bool = False

    def take(self, command: Command) -> None:
        """Take note of a command; any other kind is none of a run's."""
        match command:
            case Pause():
                self.pause = True
            case GoOn():
                self.pause = False
            case RepeatStep():
                self.repeat = command.wanted
            case _:
                pass


def meddled(command: Meddle, hands: Hands | None) -> str:
    """Do to the simulated jig what ``command`` says; return what was done, or why not."""
    if hands is None:
        return "Nothing was done: only a simulated bench can be meddled with."
    try:
        return hands.do(command.action, command.detail)
    except ValueError as error:
        return f"Not done: {error}"


def answered(
    ask: Ask,
    hands: Hands | None,
    order: RunOrder,
    console: Console,
    wait: Callable[[Done], None],
    tell: Callable[[str], None],
) -> str:
    """Return the answer to ``ask``: of the simulated jig's hands, or of somebody at the console.

    If the order wants the operator asked although there are hands, they show what is to be seen
    and do what the operator says was done, which ``tell`` hears of.
    """
    if hands is None:
        return console.ask(ask, wait)
    if not order.ask_operator:
        return hands.do(ask.action, ask.detail)
    if ask.action == "inspect":
        ask = replace(ask, seen=hands.do(ask.action, ask.detail))
    answer = console.ask(ask, wait)
    if answer == "done":
        tell(hands.do(ask.action, ask.detail))
    return answer
