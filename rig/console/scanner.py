"""Telling a scanned label from keys that a person presses: a scanner types faster than anybody."""

from __future__ import annotations

# Some scanners send Enter twice, or a line feed after it; within this time (s) it presses nothing.
ENTER_AGAIN_S = 0.3
# What scanners are set to send behind a label.
LABEL_ENDS = frozenset({"enter", "tab"})
# Nobody presses two keys within this time (s, guess); a scanner sends hundreds a second.
SCANNER_S = 0.1
LEFT_OUT = (
    "A separator or another character of the label that cannot be shown was left out. Compare what "
    "the field holds with the label, or set the scanner to send the serial number alone."
)


def is_of_a_label(character: str) -> bool:
    """Tell whether a character that cannot be printed comes from a label, not from a key.

    FS to US part the fields of a label (so used by ISO/IEC 15434; from memory), and beyond ASCII no
    key sends what cannot be printed.
    """
    return len(character) == 1 and (
        "\x1c" <= character <= "\x1f" or (character >= "\x80" and not character.isprintable())
    )


class Burst:
    """Characters that follow each other within ``within_s`` (s); times are those of key events."""

    def __init__(self, within_s: float = SCANNER_S) -> None:
        self.within_s = within_s
        self.typed = ""
        self.began_s = self.last_s = float("-inf")

    def goes_on(self, at_s: float) -> bool:
        """Tell whether a key at ``at_s`` belongs to what is being typed."""
        return bool(self.typed) and at_s - self.last_s < self.within_s

    def take(self, character: str, at_s: float) -> None:
        """Add a character, or begin anew with it."""
        if self.goes_on(at_s):
            self.typed += character
        else:
            self.typed, self.began_s = character, at_s
        self.last_s = at_s

    @property
    def one_key(self) -> bool:
        """Tell whether a single key was pressed, or held down."""
        return len(set(self.typed)) == 1

    def end(self) -> str:
        """Return what was typed, and begin anew."""
        typed, self.typed = self.typed, ""
        return typed
