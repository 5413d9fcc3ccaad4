"""What every document of the shop has: letterhead, paper, foot, code and marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rig.records.model import RunRecord
from rig.sheets.code import BITS, SheetCode
from rig.sheets.figures import mark_svg
from rig.sheets.letterhead import PAPERS, Letterhead
from rig.sheets.qr import modules_of, svg_of
from rig.sheets.setting import set_pages, set_pdf
from rig.sheets.standing import Mark
from rig.sheets.words import SAYS, clean

CODE_SAYS = (
    f"It holds the record's identifier and the first {BITS} bits of the SHA-256 of the run as it "
    "was recorded, traces included; later notes do not change it."
)
DEFAULT_PAPER = "a4"


@dataclass(frozen=True)
class Document:
    """A document ready to be set: its template's name, its data, and the date its PDF bears."""

    kind: str
    data: Mapping[str, Any]
    letterhead: Letterhead
    made_at: datetime

    def pdf(self) -> bytes:
        """Return it as PDF; TemplateError if a template of the shop cannot be set."""
        return set_pdf(self.kind, self.data, self.letterhead, self.made_at)

    def pages(self, dpi: float) -> list[bytes]:
        """Return its pages as PNG; TemplateError if a template of the shop cannot be set."""
        return set_pages(self.kind, self.data, self.letterhead, dpi)


def common(
    title: str,
    dated: str,
    letterhead: Letterhead,
    paper: str,
    marks: Sequence[Mark],
    foot: str,
    across: str = "",
) -> dict[str, Any]:
    """Return the data that `frame.typ` and `letterhead.typ` need, of any document.

    ``across`` stands across the pages if there is any mark, the words of the marks without it.
    """
    across = across or " · ".join(mark.word for mark in marks)
    return {
        "title": clean(title),
        "dated": dated,
        "paper": PAPERS[paper or letterhead.paper or DEFAULT_PAPER],
        "letterhead": {
            "name": clean(letterhead.name),
            "lines": [clean(line) for line in letterhead.lines],
            "logo": letterhead.logo,
            "foot": clean(letterhead.foot),
        },
        "marks": [{"word": mark.word, "sentence": mark.sentence} for mark in marks],
        "watermark": mark_svg(across) if marks else "",
        "foot": foot,
        "code": "",
        "says": SAYS,
    }


def of_run(record: RunRecord, checksum: str) -> dict[str, Any]:
    """Return what ties a document to one run: its code, as picture and as text."""
    code = SheetCode.of(record.run_id, checksum)
    rows = modules_of(code.text)
    return {
        "run_id": str(record.run_id),
        "code": code.text,
        "code_printed": code.printed,
        "code_says": CODE_SAYS,
        "qr": svg_of(rows),
        "qr_modules": len(rows),
    }
