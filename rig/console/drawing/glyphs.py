"""Which characters the dots of a canvas become."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_BLANK = ord(" ")


@dataclass(frozen=True, eq=False)
class Glyphs:
    """A way to show dots: ``across`` x ``down`` dots a cell, as nearly square as a cell allows.

    ``weights`` (down, across) are the bits of a cell's dots, ``characters`` the code point for
    every sum of bits; no dot is a space, so that text copied from the screen stays plain.
    """

    name: str
    weights: NDArray[np.uint8]
    characters: NDArray[np.uint32]

    @property
    def across(self) -> int:
        """Dots in a cell, sideways."""
        return int(self.weights.shape[1])

    @property
    def down(self) -> int:
        """Dots in a cell, downwards."""
        return int(self.weights.shape[0])


def _braille() -> Glyphs:
    # Unicode numbers the dots down the left column, then the right one; the eighth row came later.
    weights = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.uint8)
    characters = np.arange(0x2800, 0x2900, dtype=np.uint32)
    characters[0] = _BLANK
    return Glyphs("braille", weights, characters)


def _blocks() -> Glyphs:
    # Halves, not quarters of a cell: the fonts of the Linux text console have only the halves.
    characters = np.array([_BLANK, 0x2580, 0x2584, 0x2588], dtype=np.uint32)
    return Glyphs("blocks", np.array([[1], [2]], dtype=np.uint8), characters)


BRAILLE = _braille()
BLOCKS = _blocks()


def glyphs_of_terminal(environ: Mapping[str, str] = os.environ) -> Glyphs:
    """Return what this terminal can show: blocks on the Linux text console, braille elsewhere."""
    return BLOCKS if environ.get("TERM") == "linux" else BRAILLE
