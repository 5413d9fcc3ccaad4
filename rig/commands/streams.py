"""Standard input, output and error as they may be found: closed, full, or not of UTF-8."""

from __future__ import annotations

import codecs
import io
import os
import re
import sys

_PLAIN = {
    "±": "+/-",
    "×": "x",
    "Ω": "ohm",
    "µ": "u",
    "°": " deg",
    "·": ".",
    "–": "-",
    "—": "-",
    "−": "-",
    "“": '"',
    "”": '"',
    "‘": "'",
    "’": "'",
    "…": "...",
    "\N{REPLACEMENT CHARACTER}": "?",
}

_ENDLESS = re.compile(r"\S{500,}")  # what was typed or scanned in a message, however long it is


def make_usable() -> None:
    """Open what is closed, and let no character be beyond what a terminal can show."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            setattr(sys, name, _opened(number))
    codecs.register_error("halfturn-plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="halfturn-plain")


class OutputError(Exception):
    """Standard output cannot be written, as on a full disk; the message is a sentence."""


def say(text: str = "", *, lost: str = "") -> None:
    """Print on standard output; whoever reads it going away (`| head`) changes no exit status.

    Raises OutputError if it cannot be written, since an answer that is lost is no success.  Its
    sentence ends with ``lost``: what must be known all the same.
    """
    try:
        print(visible(text), flush=True)
    except BrokenPipeError:
        let_go("stdout")
    except OSError as error:
        let_go("stdout")
        why = (error.strerror or str(error)).lower()
        lost = lost or "What was to be told there is not all told."
        raise OutputError(
            f"standard output could not be written: {why}. Make room, or send it elsewhere. {lost}"
        ) from error


def tell(text: str) -> None:
    """Print on standard error; that nobody can read it changes no exit status."""
    try:
        print(_ENDLESS.sub(_middle_left_out, visible(text)), file=sys.stderr, flush=True)
    except OSError:
        let_go("stderr")


def visible(text: str) -> str:
    """Return ``text`` with signs in place of characters that could upset a terminal.

    File names and serials come from anywhere.  Lines stay lines.
    """
    return "".join(
        c if c.isprintable() or c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text
    )


def _middle_left_out(word: re.Match[str]) -> str:
    return f"{word[0][:100]}...{word[0][-100:]}"


def let_go(name: str) -> None:
    """Write no more to ``stdout`` or ``stderr``.

    Its unwritten text is lost; tried again at exit it would give Python's own exit status.
    """
    setattr(sys, name, _nowhere("w"))


def _opened(number: int) -> io.TextIOWrapper:
    """Return a stream to nowhere, under the number of the closed one.

    Left free, the number would go to the next file opened, a record say, and whatever is written
    to standard output or error would end up in it.
    """
    try:
        os.fstat(number)
    except OSError:
        null = os.open(os.devnull, os.O_RDWR)
        if null != number:
            os.dup2(null, number)
            os.close(null)
    return _nowhere("r" if number == 0 else "w")


def _nowhere(mode: str) -> io.TextIOWrapper:
    return io.TextIOWrapper(io.FileIO(os.devnull, mode), encoding="utf-8")


def _plain(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    out = []
    for character in error.object[error.start : error.end]:
        plain = _PLAIN.get(character, "")
        out.append(plain or character.encode("ascii", "backslashreplace").decode())
    return "".join(out), error.end
