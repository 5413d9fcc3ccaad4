"""Asking an operator at a plain terminal."""

from __future__ import annotations

import sys

from rig.bench.requests import Ask
from rig.commands import exits
from rig.commands.exits import CommandError


def ask_operator(ask: Ask) -> str:
    """Print the question on standard error and return one of the allowed answers.

    Raises CommandError if nobody can be asked or input ends.
    """
    if not sys.stdin.isatty():
        raise CommandError(
            exits.USAGE,
            f"this step asks the operator ({ask.text.splitlines()[0]}), but there is no terminal "
            "to ask at. Run it in a terminal"
            + (", or give --accept-cautions." if ask.action == "accept_cautions" else "."),
        )
    choices = "/".join(ask.allowed)
    print(ask.text, file=sys.stderr)
    while True:
        print(f"[{choices}] ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise CommandError(
                exits.STOPPED, "input ended while a question was open; feeds are off."
            )
        answer = _matched(line.strip().lower(), ask.allowed)
        if answer is not None:
            return answer
        print(f"Please answer with one of: {', '.join(ask.allowed)}.", file=sys.stderr)


def _matched(word: str, allowed: tuple[str, ...]) -> str | None:
    if not allowed:
        return word
    fits = [answer for answer in allowed if word and answer.startswith(word)]
    return fits[0] if len(fits) == 1 else None
