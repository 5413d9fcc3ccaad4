"""Digits large enough to be read from a metre, drawn by hand in square dots (two a cell)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bits = NDArray[np.bool_]

# Each column of a drawing is one character: its sign on top, its dots below.
_SMALL = """
0    1   2    3    4    5    6    7    8    9    -   –    . : /    A    V     s    n
.##. .#. .##. ###. #..# #### .##. #### .##. .##. ... .... . . ...# .##. #...# .... ....
#..# ##. #..# ...# #..# #... #... ...# #..# #..# ... .... . . ..#. #..# #...# .### ....
#..# .#. ...# .##. #..# ###. ###. ..#. .##. #..# ### #### . # ..#. #..# #...# #... ###.
#..# .#. .##. ...# #### ...# #..# ..#. #..# .### ... .... . . .#.. #### .#.#. .##. #..#
#..# .#. #... ...# ...# ...# #..# .#.. #..# ...# ... .... . # .#.. #..# .#.#. ...# #..#
.##. ### #### ###. ...# ###. .##. .#.. .##. .##. ... .... # . #... #..# ..#.. ###. #..#
"""

_LARGE = """
0       1     2       3       4       5       6       7       8       9       -     –       .  :  /       A       V        s      n
.#####. ..##. .#####. .#####. ##...## ####### .#####. ####### .#####. .#####. ..... ....... .. .. .....## .#####. ##....## ...... ......
####### .###. ####### ####### ##...## ####### ####### ####### ####### ####### ..... ....... .. .. .....## ####### ##....## ...... ......
##...## ####. ##...## .....## ##...## ##..... ##..... .....## ##...## ##...## ..... ....... .. .. ....##. ##...## ##....## ...... ......
##...## ..##. .....## .....## ##...## ##..... ##..... ....##. ##...## ##...## ..... ....... .. ## ....##. ##...## .##..##. .##### #####.
##...## ..##. ....##. ..####. ####### ######. ######. ....##. .#####. ####### ##### ####### .. ## ...##.. ####### .##..##. ##.... ######
##...## ..##. ...##.. ..####. ####### ####### ####### ...##.. ####### .###### ##### ####### .. .. ...##.. ####### .##..##. ##.... ##..##
##...## ..##. ..##... .....## .....## .....## ##...## ...##.. ##...## .....## ..... ....... .. .. ..##... ##...## .##..##. .####. ##..##
##...## ..##. .##.... .....## .....## .....## ##...## ..##... ##...## .....## ..... ....... .. ## ..##... ##...## ..####.. ....## ##..##
####### ##### ####### ####### .....## ####### ####### ..##... ####### ####### ..... ....... ## ## .##.... ##...## ..####.. ....## ##..##
.#####. ##### ####### .#####. .....## ######. .#####. ..##... .#####. .#####. ..... ....... ## .. .##.... ##...## ...##... #####. ##..##
"""  # noqa: E501 - a drawing


@dataclass(frozen=True, eq=False)
class Face:
    """A set of large characters: ``rows`` cells high, every letter two dots a row.

    Digits, signs and the space are equally wide, so that numbers of one form stay in place.
    """

    rows: int
    letters: dict[str, Bits]
    gap: int

    def bits(self, text: str) -> Bits | None:
        """Return ``text`` as dots; None if a character is missing here."""
        if any(letter not in self.letters for letter in text):
            return None
        between = np.zeros((2 * self.rows, self.gap), dtype=np.bool_)
        parts = [part for letter in text for part in (between, self.letters[letter])]
        return np.hstack(parts[1:]) if parts else between[:, :0]


def _face(drawing: str, *, gap: int) -> Face:
    signs, *lines = (line.split() for line in drawing.strip().splitlines())
    letters = {
        sign: np.array([[dot == "#" for dot in line] for line in column])
        for sign, column in zip(signs, zip(*lines, strict=True), strict=True)
    }
    letters[" "] = np.zeros_like(letters["0"])
    width = letters["0"].shape[1]
    for sign in "0123456789-":
        missing = width - letters[sign].shape[1]
        sides = ((0, 0), (missing - missing // 2, missing // 2))
        letters[sign] = np.pad(letters[sign], sides)
    return Face(len(lines) // 2, letters, gap)


SMALL = _face(_SMALL, gap=1)
LARGE = _face(_LARGE, gap=2)
