"""What may be written on a record by hand or scanner (serials, names, notes), and its words."""

from __future__ import annotations

import re
from unicodedata import normalize

SERIAL_LONGEST = 64
"""Characters of a unit's serial number."""

NAME_LONGEST = 100
"""Characters of an operator's name or of a job or lot number."""

NOTE_LONGEST = 200
"""Characters of a note typed at the jig."""

_DASHES = re.compile(
    "[-\u00ad\u058a\u05be\u1400\u1806\u2010-\u2015\u2212\u2e17\u2e1a\u2e3a\u2e3b\u2e40\u2e5d"
    "\u301c\u3030\u30a0\U00010d6e\U00010ead]"
)  # Unicode's category Pd as far as NFKC leaves it, the minus sign and the soft hyphen


def shown(text: str, longest: int = 40) -> str:
    """Return ``text`` as a message may repeat it: short, and with signs for what cannot be seen."""
    short = text if len(text) <= longest else f"{text[: longest - 1]}…"
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in short)


def number_of(count: int, what: str) -> str:
    """Return a number with what it counts: "1 run", "2 runs"."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def name_key(text: str) -> str:
    """Return what two spellings of a name have in common: capitals, width and blanks apart."""
    return " ".join(normalize("NFKC", text).casefold().split())


def serial_key(text: str) -> str:
    """Return what two ways to type a label have in common: as `name_key`, any dash like a blank.

    No dash is left out: 1-11 and 11-1 are two units.
    """
    return " ".join(_DASHES.sub(" ", name_key(text)).split())


def trouble_with(text: str, longest: int) -> str:
    """Return what is wrong with ``text``, to follow its name in a sentence; empty if nothing is.

    A scanner or a slip of the hand may bring control characters or text without end.
    """
    if len(text) > longest:
        return f"has {len(text)} characters; at most {longest} are allowed."
    for place, character in enumerate(text, start=1):
        if not character.isprintable():
            return (
                f"has a character at place {place} that cannot be printed (U+"
                f"{ord(character):04X}); use letters, digits, spaces and signs."
            )
    return ""
