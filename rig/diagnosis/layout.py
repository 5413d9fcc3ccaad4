"""Lines and small tables of plain text that fit into 80 columns, indented by two."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rig.analysis.estimate import Estimate
from rig.analysis.wording import with_u
from rig.records.quantity import with_uncertainty

WIDTH = 80
INDENT = 2


def wrapped(text: str, width: int = WIDTH - INDENT, hang: str = "") -> list[str]:
    """Return ``text`` in lines of at most ``width``; those after the first begin with ``hang``."""
    return textwrap.wrap(text, width, subsequent_indent=hang, break_on_hyphens=False)


def told(estimate: Estimate) -> str:
    """Return an estimate with its expanded uncertainty (k = 2), or "-"."""
    u = None if estimate.u is None else 2.0 * estimate.u
    return with_uncertainty(estimate.value, u, estimate.unit)


def amps(estimate: Estimate) -> str:
    """Return a current with its expanded uncertainty in a sentence."""
    return with_u(estimate.value or 0.0, 2.0 * (estimate.u or 0.0), "A")


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows under each other, the first column to the left and the others to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if k == 0 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
