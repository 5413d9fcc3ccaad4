"""A QR code (ISO/IEC 18004) as rows of dark and light modules, and as one SVG path."""

from __future__ import annotations

from itertools import groupby

QUIET = 4
"""Modules of quiet zone on each side (ISO/IEC 18004)."""


def modules_of(text: str) -> list[str]:
    """Return the rows of the code, "1" dark; without a quiet zone.  Error correction level M."""
    import segno

    made = segno.make_qr(text, error="m", boost_error=False)
    return ["".join("1" if cell else "0" for cell in row) for row in made.matrix]


def svg_of(rows: list[str]) -> str:
    """Return the code as SVG: one path, so that no seam shows between modules."""
    size = len(rows)
    parts = []
    for y, row in enumerate(rows):
        x = 0
        for sign, run in groupby(row):
            length = len(list(run))
            if sign == "1":
                parts.append(f"M{x} {y}h{length}v1h-{length}z")
            x += length
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size}" height="{size}" '
        f'viewBox="0 0 {size} {size}"><path d="{"".join(parts)}" fill="#000"/></svg>'
    )
