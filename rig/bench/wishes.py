"""What the operator wished for while a job is on, and how the jig's hands help out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from drivers import Hands
from rig.bench.commands import Command, GoOn, Meddle, Pause, RepeatStep
from rig.bench.order import CalibrationOrder, RunOrder
from rig.bench.requests import Ask
from rig.bench.seams import Console, Done

# What a simulated jig shows whoever is asked about it.
_SHOWN = frozenset({"inspect", "read_meter"})


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
    return did(hands, command.action, command.detail)[1]


def did(hands: Hands, action: str, detail: Mapping[str, Any]) -> tuple[bool, str]:
    """Have ``hands`` do ``action``; return whether it was done, and what was done, or why not.

    The world may have been meddled with in the meantime: a load cannot be hung on no unit.
    """
    try:
        return True, hands.do(action, detail)
    except ValueError as error:
        return False, f"Not done: {error}"


def answered(
    ask: Ask,
    hands: Hands | None,
    order: RunOrder | CalibrationOrder,
    console: Console,
    wait: Callable[[Done], None],
    tell: Callable[[str], None],
) -> str:
    """Return the answer to ``ask``: of the simulated jig's hands, or of somebody at the console.

    If the order wants the operator asked although there are hands, they show what is to be seen
    and do what the operator says was done, which ``tell`` hears of.  What the hands could not do
    is told too, and is answered "cannot".
    """
    if hands is None:
        return console.ask(ask, wait)
    if not order.ask_operator:
        done, said = did(hands, ask.action, ask.detail)
        return said if done else _cannot(said, tell)
    if ask.action in _SHOWN:
        done, said = did(hands, ask.action, ask.detail)
        if not done:
            tell(said)
        ask = replace(ask, seen=said)
    answer = console.ask(ask, wait)
    if answer != "done":
        return answer
    done, said = did(hands, ask.action, ask.detail)
    if not done:
        return _cannot(said, tell)
    tell(said)
    return answer


def errand_in_short(text: str) -> str:
    """Return what somebody was asked to do: the first sentence, without how to do it."""
    return text.partition(". ")[0].rstrip(".") + "."


def _cannot(why: str, tell: Callable[[str], None]) -> str:
    tell(why)
    return "cannot"
