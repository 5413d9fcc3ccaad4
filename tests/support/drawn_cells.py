"""A screen as plain text: its characters, and below them how each cell is drawn."""

from __future__ import annotations

from itertools import count

ATTRIBUTES = ("bold", "dim", "italic", "underline", "reverse", "blink", "strike")
PLAIN = "."
TONES = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


def cells(app):
    """Return the rows of the terminal, then a row of tones for each, then what each tone is.

    A tone is a pair of colours with attributes, lettered in the order of their appearance; the
    most frequent one is a dot.
    """
    rows = [strip._segments for strip in app.screen._compositor.render_strips()]
    drawn = [[_tone(segment.style) for segment in row for _ in segment.text] for row in rows]
    used: dict[str, int] = {}
    for row in drawn:
        for tone in row:
            used[tone] = used.get(tone, 0) + 1
    commonest = max(used, key=used.__getitem__)
    letters = {commonest: PLAIN}
    numbers = count()
    for tone in used:
        letters.setdefault(tone, TONES[next(numbers)] if tone != commonest else PLAIN)
    text = ["".join(segment.text for segment in row).rstrip() for row in rows]
    how = ["".join(letters[tone] for tone in row).rstrip(PLAIN) for row in drawn]
    legend = [f"{letter} {tone}" for tone, letter in letters.items()]
    return "\n".join([*text, "", *how, "", *legend, ""])


def _tone(style):
    if style is None:
        return "default"
    colours = [
        colour.name if colour is not None else "default" for colour in (style.color, style.bgcolor)
    ]
    return " ".join([*colours, *(name for name in ATTRIBUTES if getattr(style, name))])
