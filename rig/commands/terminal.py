"""Asking an operator at a plain terminal."""

from __future__ import annotations

import json
import select
import shutil
import sys
import termios
import textwrap
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from rig.bench.at_the_jig import AT_THE_JIG
from rig.bench.errors import UnansweredError
from rig.bench.requests import NO, YES, Ask
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.streams import say

# How soon a Ctrl-C is noticed while a question is open (s).
_LOOK_EVERY_S = 0.1


class NobodyAnswersError(CommandError, UnansweredError):
    """There is no terminal to ask at, or its input ended."""


class Operator:
    """Whoever sits at the terminal; asked one question at a time.

    What was typed before a question stood there answers nothing: it was meant for another.
    """

    def __init__(self) -> None:
        self._open: tuple[str, Ask] | None = None  # put, and left without an answer

    def ask(self, ask: Ask, stopped: Callable[[], bool], *, station: str = "") -> str | None:
        """Print the question on standard error and return one of the allowed answers.

        Returns None as soon as ``stopped()`` says that something else comes first; asked again
        then, the question is only recalled, and what was typed of its answer still counts.  Among
        several, the question names its ``station``, and so must whoever accepts its cautions.
        Raises NobodyAnswersError if nobody can be asked or input ends.
        """
        question = _Question(ask, station)
        if not sys.stdin.isatty():
            raise NobodyAnswersError(exits.USAGE, question.unasked)
        if self._open == (station, ask):
            print(wrapped(f"Still asked: {question.recalled}"), file=sys.stderr)
        else:
            self._open = station, ask
            with suppress(termios.error):  # the terminal is gone; reading will tell
                termios.tcflush(sys.stdin, termios.TCIFLUSH)
            question.put()
        answer = question.answer(stopped)
        if answer is not None:
            self._open = None
        return answer


def ask_operator(ask: Ask, stopped: Callable[[], bool]) -> str | None:
    """Ask one question and no other, as `Operator.ask` does."""
    return Operator().ask(ask, stopped)


class _Question:
    """A question in the words of the terminal."""

    def __init__(self, ask: Ask, station: str) -> None:
        self._ask = ask
        self._at = f"Station {station}: " if station else ""
        self._is_consent = ask.action == "accept_cautions"
        self._named = station if self._is_consent else ""

    @property
    def unasked(self) -> str:
        """Why it cannot be asked, and what to do."""
        what = "whether the cautions were read" if self._is_consent else self._first_line
        return (
            f"this step asks the operator ({self._at}{what}), but there is no terminal to ask at. "
            f"Run it in a terminal{', or give --accept-cautions' if self._is_consent else ''}."
        )

    @property
    def recalled(self) -> str:
        """The question in a line, for whoever has read it."""
        said = self._ask.text.splitlines()[-1] if self._is_consent else self._first_line
        return f"{self._at}{said}"

    @property
    def _first_line(self) -> str:
        return self._ask.text.splitlines()[0]

    def put(self) -> None:
        """Print it whole."""
        print(wrapped(f"{self._at}{self._ask.text}"), file=sys.stderr)
        _, caution = AT_THE_JIG.get(self._ask.action, ("", ""))
        if caution:
            print(wrapped(f"Mind: {caution}"), file=sys.stderr)

    def answer(self, stopped: Callable[[], bool]) -> str | None:
        """Return what is typed, None once ``stopped()``."""
        allowed = self._ask.allowed
        while True:
            choices = f"[{_choices(allowed, self._named)}]" if allowed else ">"
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
            answer = _matched(_unnamed(line.strip().lower(), self._named), allowed)
            if answer is not None:
                return answer
            words = _words(allowed, self._named)
            print(f"Please answer with one of: {words}.", file=sys.stderr)


def say_result(as_json: bool, words: list[str], whole: dict[str, Any]) -> None:
    """Print what a command came to: one JSON object, or lines that fit the terminal."""
    if as_json:
        say(json.dumps(whole, indent=2))
        return
    text = "\n".join(words)
    say(wrapped(text) if sys.stdout.isatty() else text)


def wrapped(text: str) -> str:
    """Return ``text`` broken at words to the terminal's width, what is set in hanging."""
    width = min(shutil.get_terminal_size().columns, 100)
    return "\n".join(
        textwrap.fill(line, width, subsequent_indent=_hanging(line)) for line in text.splitlines()
    )


def _hanging(line: str) -> str:
    indent = line[: len(line) - len(line.lstrip(" "))]
    return f"{indent}  " if indent else ""


def _choices(allowed: tuple[str, ...], named: str) -> str:
    if len(allowed) < 2:
        return "/".join(allowed)
    yes, no, *more = allowed
    if (yes, no) == (YES, NO):
        return f"{yes}/{no}"
    return ", ".join([f"{_yes(named)} = {yes}", f"no = {no}", *more])


def _yes(named: str) -> str:
    return f"yes {named}".rstrip()


def _words(allowed: tuple[str, ...], named: str) -> str:
    """Return what may be typed; the first two of them are yes and no to whoever answers."""
    return ", ".join((_yes(named), NO, *allowed[2:]) if len(allowed) > 1 else allowed)


def _unnamed(line: str, named: str) -> str:
    """Return the answer without the station's name; empty if it accepts without naming it."""
    word, _, name = line.partition(" ")
    if not named:
        return line
    if name.strip() == named.lower():
        return word
    return line if line and NO.startswith(line) else ""


def _matched(word: str, allowed: tuple[str, ...]) -> str | None:
    if not allowed:
        return word
    # "Yes" is always the good answer, and the first of those allowed; "no" is the second.
    if word in ("y", "yes", "n", "no") and len(allowed) > 1:
        return allowed[0] if word.startswith("y") else allowed[1]
    fits = [answer for answer in allowed if word and answer.startswith(word)]
    return fits[0] if len(fits) == 1 else None
