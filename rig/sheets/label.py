"""A label for the unit itself: serial, verdict, date and the code, to the size that is asked for.

The code's modules are whole dots, so that a printer of this resolution makes them square.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.records.model import RunRecord
from rig.records.show import SHORT_ID
from rig.sheets.code import SheetCode
from rig.sheets.letterhead import LABEL, Letterhead, TemplateError
from rig.sheets.qr import QUIET, modules_of, svg_of
from rig.sheets.setting import set_pages
from rig.sheets.standing import standing_of
from rig.sheets.words import clean, local

MODULE_LEAST_MM = 0.25
"""A module smaller than this is not read for sure by a telephone (common practice, no published
source)."""
DOTS_LEAST = 2
"""Dots of a module at least: one dot bleeds away (common practice, no published source)."""
TEXT_LEAST_MM = 14.0
EDGE_MM = 1.0
SIZE_MM = (62.0, 29.0)
DPI = 300.0
LARGEST_MM, DPI_LEAST, DPI_MOST = 300.0, 100.0, 1200.0

_FULL = "does not fit"  # what label_frame.typ says when its text is too tall


class LabelError(ValueError):
    """A label cannot be made of this size; the message says what would do."""


@dataclass(frozen=True, slots=True)
class LabelSize:
    """Width and height (mm) and dots an inch; LabelError if that is no label."""

    width_mm: float = SIZE_MM[0]
    height_mm: float = SIZE_MM[1]
    dpi: float = DPI

    def __post_init__(self) -> None:
        if not DPI_LEAST <= self.dpi <= DPI_MOST:
            raise LabelError(f"A label printer has {DPI_LEAST:g} to {DPI_MOST:g} dots an inch.")
        if not (0 < self.width_mm <= LARGEST_MM and 0 < self.height_mm <= LARGEST_MM):
            raise LabelError(
                f"A label is up to {LARGEST_MM:g} mm wide and high, and more than nothing."
            )

    def dots(self, mm: float) -> int:
        """Return the dots in so many millimetres, rounded down."""
        return int(mm * self.dpi / 25.4 + 1e-9)

    def mm(self, dots: int) -> float:
        """Return how long so many dots are, mm."""
        return dots * 25.4 / self.dpi

    def module_dots(self, modules: int) -> int:
        """Return the dots of a module for a code of ``modules``, its quiet zone included.

        The code takes half the width at most, so that the words have room, unless it would then be
        too small to be read.  Raises LabelError if the code would not scan.
        """
        side = modules + 2 * QUIET
        room = min(self.dots(self.height_mm), self.dots(self.width_mm) - self.dots(TEXT_LEAST_MM))
        dots = room // side
        least = max(DOTS_LEAST, -(-MODULE_LEAST_MM * self.dpi // 25.4))
        if dots < least:
            high = self.mm(int(side * least))
            raise LabelError(
                f"A label of {self.width_mm:g} x {self.height_mm:g} mm has no room for a code that "
                f"can be read: at {self.dpi:g} dots an inch it is to be {high + 0.05:.1f} mm high "
                f"and {high + TEXT_LEAST_MM + 0.05:.1f} mm wide at least."
            )
        return max(int(least), min(dots, self.dots(self.width_mm / 2) // side))


def label_of(record: RunRecord, checksum: str, size: LabelSize, letterhead: Letterhead) -> bytes:
    """Return the label of a run as PNG, ``size.dpi`` told in it.

    Raises LabelError if the size leaves no room for a code that scans or for the text, with the
    width that would do.
    """
    page = _set(record, checksum, size, letterhead)
    if page is None:
        wider = _wide_enough(record, checksum, size, letterhead)
        raise LabelError(
            f"Serial and verdict do not fit beside the code on {size.width_mm:g} x "
            f"{size.height_mm:g} mm. "
            + (
                "Take a higher label: at this height no width does."
                if wider is None
                else f"At this height it is to be {wider} mm wide at least."
            )
        )
    return page


def _wide_enough(
    record: RunRecord, checksum: str, size: LabelSize, letterhead: Letterhead
) -> int | None:
    """Return the least width (whole mm) on which the text fits, None if there is none."""

    def fits(width_mm: int) -> bool:
        wide = replace(size, width_mm=float(width_mm))
        return _set(record, checksum, wide, letterhead) is not None

    too_narrow, most = int(size.width_mm), int(LARGEST_MM)
    if not fits(most):
        return None
    while most - too_narrow > 1:
        middle = (most + too_narrow) // 2
        too_narrow, most = (too_narrow, middle) if fits(middle) else (middle, most)
    return most


def _set(record: RunRecord, checksum: str, size: LabelSize, letterhead: Letterhead) -> bytes | None:
    """Return the label, None if its text does not fit; LabelError if the code would not scan."""
    code = SheetCode.of(record.run_id, checksum)
    rows = modules_of(code.text)
    module = size.module_dots(len(rows))
    standing = standing_of(record)
    quiet, high = QUIET * module, size.dots(size.height_mm)
    side = len(rows) * module
    left = size.dots(size.width_mm) - side - quiet
    data = {
        "width_pt": _points(size.dots(size.width_mm), size.dpi),
        "height_pt": _points(high, size.dpi),
        "code": code.text,
        "qr": svg_of(rows),
        "qr_pt": _points(side, size.dpi),
        "qr_x_pt": _points(left, size.dpi),
        "qr_y_pt": _points((high - side) // 2, size.dpi),
        "text_pt": _points(left - quiet, size.dpi),
        "edge_pt": _points(size.dots(EDGE_MM), size.dpi),
        "serial": clean(record.start.unit_serial),
        "type": clean(record.start.unit_type),
        "word": standing.word,
        "kind": standing.kind,
        "marks": [*(mark.word for mark in standing.marks), *standing.cautions],
        "date": local(record.start.started_at, "%Y-%m-%d"),
        "record": str(record.run_id)[:SHORT_ID],
        "shop": clean(letterhead.name),
    }
    try:
        (page,) = set_pages(LABEL, data, letterhead, size.dpi)
    except TemplateError as error:
        if _FULL in str(error):
            return None
        raise
    return page


def _points(dots: int, dpi: float) -> float:
    return dots * 72.0 / dpi
