"""Asking an operator at a plain terminal."""

from __future__ import annotations

import select
import shutil
import sys
import textwrap
from collections.abc import Callable

from rig.bench.at_the_jig import AT_THE_JIG
from rig.bench.errors import UnansweredError
from rig.bench.requests import NO, YES, Ask
from rig.commands import exits
from rig.commands.exits import CommandError

# How soon a Ctrl-C is noticed while a question is open (s).
_LOOK_EVERY_S = 0.1


class NobodyAnswersError(CommandError, UnansweredError):
    """There is no terminal to ask at, or its input ended."""


def ask_operator(ask: Ask, stopped: Callable[[], bool]) -> str | None:
    """Print the question on standard error and return one of the allowed answers.

    Returns None as soon as ``stopped()`` says that the run is to end.  Raises NobodyAnswersError if
    nobody can be asked or input ends.
    """
    if not sys.stdin.isatty():
        raise NobodyAnswersError(
            exits.USAGE,
            f"this step asks the operator ({_what(ask)}), but there is no terminal to ask at. Run "
            "it in a terminal"
            + (", or give --accept-cautions." if ask.action == "accept_cautions" else "."),
        )
    print(wrapped(ask.text), file=sys.stderr)
    _, caution = AT_THE_JIG.get(ask.action, ("", ""))
    if caution:
        print(wrapped(f"Mind: {caution}"), file=sys.stderr)
    while True:
        choices = f"[{_choices(ask.allowed)}]" if ask.allowed else ">"
        print(f"{choices} ", end="", file=sys.stderr, flush=True)
        while not select.select([sys.stdin], [], [], _LOOK_EVERY_S)[0]:
            if stopped():
                print(file=sys.stderr)
                return None
        line = sys.stdin.readline()
        if not line:
            raise NobodyAnswersError(
                exits.STOPPED, "input ended while a question was open; feeds are off."
            )
        answer = _matched(line.strip().lower(), ask.allowed)
        if answer is not None:
            return answer
        print(f"Please answer with one of: {_words(ask.allowed)}.", file=sys.stderr)


def wrapped(text: str) -> str:
    """Return ``text`` broken at words to the terminal's width, what is set in hanging."""
    width = min(shutil.get_terminal_size().columns, 100)
    return "\n".join(
        textwrap.fill(line, width, subsequent_indent=_hanging(line)) for line in text.splitlines()
    )


def _hanging(line: str) -> str:
    indent = line[: len(line) - len(line.lstrip(" "))]
    return f"{indent}  " if indent else ""


def _choices(allowed: tuple[str, ...]) -> str:
    if len(allowed) < 2:
        return "/".join(allowed)
    yes, no, *more = allowed
    if (yes, no) == (YES, NO):
        return f"{yes}/{no}"
    return ", ".join([f"yes = {yes}", f"no = {no}", *more])


def _what(ask: Ask) -> str:
    """Return in short what is asked."""
    consent = ask.action == "accept_cautions"
    return "whether the cautions were read" if consent else ask.text.splitlines()[0]


def _words(allowed: tuple[str, ...]) -> str:
    """Return what may be typed; the first two of them are yes and no to whoever answers."""
    return ", ".join((YES, NO, *allowed[2:]) if len(allowed) > 1 else allowed)


def _matched(word: str, allowed: tuple[str, ...]) -> str | None:
    if not allowed:
        return word
    # "Yes" is always the good answer, and the first of those allowed; "no" is the second.
    if word in ("y", "yes", "n", "no") and len(allowed) > 1:
        return allowed[0] if word.startswith("y") else allowed[1]
    fits = [answer for answer in allowed if word and answer.startswith(word)]
    return fits[0] if len(fits) == 1 else None
