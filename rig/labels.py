"""What may be written on a record by hand or scanner: serial numbers, names, job numbers, notes."""

from __future__ import annotations

SERIAL_LONGEST = 64
"""Characters of a unit's serial number."""

NAME_LONGEST = 100
"""Characters of an operator's name or of a job or lot number."""

NOTE_LONGEST = 200
"""Characters of a note typed at the jig."""


def shown(text: str, longest: int = 40) -> str:
    """Return ``text`` as a message may repeat it: short, and with signs for what cannot be seen."""
    short = text if len(text) <= longest else f"{text[: longest - 1]}…"
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in short)


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
